"""The compiled kernel: kept where it can be, done without where it cannot, and never the reason for a wrong plan."""

import json
import os
import subprocess
import sys
from pathlib import Path

EXAMPLE = Path(__file__).parents[2] / "examples" / "marigold-trimix.toml"
RUN = "from leadline.cli.main import run; run()"


def planned(*options, **environment):
    return subprocess.run(
        [sys.executable, "-c", RUN, "plan", str(EXAMPLE), *options],
        capture_output=True, text=True, env=os.environ | environment, timeout=600,
    )  # fmt: skip


def test_where_no_folder_can_be_written_it_is_compiled_at_every_start():
    """numba's one way to keep code that takes only zip files stands for folders that cannot be written."""
    kept, not_kept = planned("--json"), planned("--json", NUMBA_CACHE_LOCATOR_CLASSES="ZipCacheLocator")
    assert (kept.returncode, not_kept.returncode) == (0, 0)
    assert json.loads(kept.stdout) == json.loads(not_kept.stdout)
    assert "Compiling the planning engine (every run" in not_kept.stderr


def test_a_damaged_one_is_named_and_plans_nothing(tmp_path):
    """As a full disk or a broken one leaves it."""
    assert planned(NUMBA_CACHE_DIR=str(tmp_path)).returncode == 0
    for index in tmp_path.rglob("*.nbi"):
        index.write_bytes(b"")
    broken = planned(NUMBA_CACHE_DIR=str(tmp_path))
    assert (broken.returncode, broken.stdout) == (3, "")
    assert str(tmp_path) in broken.stderr
    assert "is damaged; delete that folder" in broken.stderr
