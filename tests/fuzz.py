"""Feeds every reader with as many inputs as are asked for: `python -m tests.fuzz --inputs 100000`.

An input that raises, takes longer than `--longest` seconds, or does not fit into the memory allowed is written to
`corpus/` and named; the rest go on. Exit status 1 if there was one.
"""

from __future__ import annotations

import argparse
import hashlib
import random
import resource
import signal
import sys
import time
import traceback

from hypothesis import HealthCheck, Phase, given, seed, settings

from tests.fuzzing import CORPUS, READERS

AT_A_TIME = 1000
"""Inputs between two lines of progress."""


class TooLongError(Exception):
    """An input that is not done with in time."""


def feed(name: str, inputs: int, seeded: int, longest_s: float) -> tuple[int, int, dict[str, bytes]]:
    """Feed one reader: (how many, how many of them were taken, what went wrong by where)."""
    reader = READERS[name]
    fed = taken = 0
    wrong: dict[str, bytes] = {}

    def too_long(*_: object) -> None:
        raise TooLongError(f"longer than {longest_s:g} s")

    signal.signal(signal.SIGALRM, too_long)

    @seed(seeded)
    @settings(
        max_examples=inputs, database=None, deadline=None, phases=[Phase.generate], derandomize=False,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(reader.inputs)
    def one(content: bytes) -> None:
        nonlocal fed, taken
        fed += 1
        signal.setitimer(signal.ITIMER_REAL, longest_s)
        try:
            taken += reader.holds(content)
        except Exception as error:
            where = traceback.extract_tb(error.__traceback__)[-1]
            found = f"{type(error).__name__} at {where.filename.rsplit('/', 1)[-1]}:{where.lineno}"
            if len(content) < len(wrong.get(found, content + b"x")):
                wrong[found] = content
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0.0)

    one()
    return fed, taken, wrong


def main() -> int:
    """Feed them all, and say what came of it."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--inputs", type=int, default=10_000, help="in all, shared by the readers")
    asked.add_argument("--only", choices=READERS, action="append", help="this reader alone; may be given again")
    asked.add_argument("--seed", type=int, default=None, help="the same number feeds the same inputs")
    asked.add_argument("--longest", type=float, default=20.0, help="seconds that one input may take")
    asked.add_argument("--memory", type=float, default=4.0, help="GiB of address space that all of it may take")
    given_ = asked.parse_args()
    resource.setrlimit(resource.RLIMIT_AS, (int(given_.memory * 2**30),) * 2)
    seeded = given_.seed if given_.seed is not None else random.SystemRandom().randrange(2**32)
    names = given_.only or list(READERS)
    shares = sum(READERS[name].share for name in names)
    began, total, wrong = time.monotonic(), 0, {}
    print(f"seed {seeded}", flush=True)
    for name in names:
        fed = taken = 0
        started, wanted = time.monotonic(), given_.inputs * READERS[name].share // shares
        while fed < wanted:
            some, read, found = feed(name, min(AT_A_TIME, wanted - fed), seeded + fed, given_.longest)
            if some == 0:
                break
            fed, taken = fed + some, taken + read
            for where, content in found.items():
                if f"{name}: {where}" not in wrong:
                    print(f"\n{name}: {where}: {content[:120]!r}", flush=True)
                if len(content) < len(wrong.get(f"{name}: {where}", content + b"x")):
                    wrong[f"{name}: {where}"] = content
            most_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            so_far = f"{time.monotonic() - started:.0f} s, at most {most_mib:.0f} MiB"
            print(f"{name}: {fed} of {wanted}, {taken} taken, {so_far}", flush=True)
        total += fed
    for where, content in wrong.items():
        kind = where.split(":")[0].replace(" ", "-")
        path = CORPUS / f"{kind}.{hashlib.sha256(content).hexdigest()[:12]}"
        path.write_bytes(content)
        print(f"wrong: {where}: kept in {path}")
    print(f"{total} inputs in {time.monotonic() - began:.0f} s, {len(wrong)} ways to go wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
