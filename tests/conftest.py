"""How Hypothesis runs: without a deadline, since first calls compile; always the same where CI is set."""

import os

from hypothesis import settings

settings.register_profile("leadline", deadline=None, derandomize=bool(os.environ.get("CI")))
settings.load_profile("leadline")
os.environ["LEADLINE_DATABASE"] = "a test that keeps dives names a log of its own"  # nobody's own log is touched
