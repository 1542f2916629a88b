"""A test in real time is run again where the machine stood still, and only there."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

TESTS = Path(__file__).parent.parent

FAILS_ONCE = """
import pytest
from pathlib import Path
import standstill

count = Path("count")

@pytest.mark.real_time
def test_once():
    runs = len(count.read_text()) if count.exists() else 0
    count.write_text("x" * (runs + 1))
    log = Path("speaker.log")
    log.write_text({said!r})
    standstill.logs.append(log)
    assert runs == 1
"""


def outcome(folder: Path, said: str, *more: str) -> tuple[int, str, int]:
    (folder / "test_it.py").write_text(FAILS_ONCE.format(said=said))
    (folder / "pytest.ini").write_text("[pytest]\nmarkers =\n    real_time\n")
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "standstill", "test_it.py", *more],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(TESTS)},
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    return done.returncode, done.stdout, len((folder / "count").read_text())


def test_run_again_where_the_server_ran_out_of_samples(tmp_path: Path) -> None:
    code, out, runs = outcome(tmp_path, "Time: 1 s\rStream underrun.\nLATE by 0.36 s")
    assert (code, runs) == (0, 2), out
    assert "run again, as the machine stood still: Stream underrun; LATE by 0.36 s" in out


def test_a_failure_on_a_machine_that_ran_stays_one(tmp_path: Path) -> None:
    code, out, runs = outcome(tmp_path, "Time: 1 s\rStream started.\n")
    # The heartbeat may have seen this machine stand still: then it says so.
    assert (code, runs) == (1, 1) or "LATE by" in out, out


@pytest.mark.long
def test_run_again_where_tests_run_side_by_side(tmp_path: Path) -> None:
    code, out, runs = outcome(tmp_path, "Stream underrun.", "-n", "1")
    assert (code, runs) == (0, 2), out
