"""How Hypothesis runs: without a deadline, since first calls compile; always the same where CI is set."""

import os
import signal

from hypothesis import settings

settings.register_profile("leadline", deadline=None, derandomize=bool(os.environ.get("CI")))
settings.load_profile("leadline")
os.environ["LEADLINE_DATABASE"] = "a test that keeps dives names a log of its own"  # nobody's own log is touched
# What a shell runs in the background ignores Ctrl-C, and so would every process that the tests start and interrupt.
signal.signal(signal.SIGINT, signal.default_int_handler)
