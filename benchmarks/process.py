"""How long `leadline plan` takes as a process: on the very first run, with the kernel to compile, and warm.

`python benchmarks/process.py` prints seconds of wall time.
"""

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

DIVE = Path(__file__).parents[1] / "examples" / "marigold-trimix.toml"


def seconds(cache: str) -> float:
    """One run of `leadline plan` with the kernel's cache in a folder."""
    command = [sys.executable, "-c", "from leadline.cli.main import run; run()", "plan", str(DIVE)]
    start = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True, env={**os.environ, "NUMBA_CACHE_DIR": cache})
    return time.perf_counter() - start


def main() -> None:
    """Print the first run and the median of seven warm ones."""
    with tempfile.TemporaryDirectory() as cache:
        print(f"first run, compiling: {seconds(cache):.1f} s")
        print(f"warm, median of 7:    {statistics.median(seconds(cache) for _ in range(7)):.2f} s")


if __name__ == "__main__":
    main()
