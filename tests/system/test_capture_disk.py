"""A disk that is really full: a file system of six megabytes, as root mounts it."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from own_server import need

sys.path.append(str(Path(__file__).parent.parent / "unit"))

from capture_bench import (
    FakeBench,
    calibrated_session,
    run_capture,
    run_main,
    write_short_stimulus,
)

pytestmark = pytest.mark.system

LEVELS = ("--levels-spl", "72 and 82", "--accept-level", "90")


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    folder = tmp_path / "small"
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=6200k", "tmpfs", str(folder)],
        capture_output=True,
        check=False,
    )
    if mounted.returncode != 0:  # containers often may not; that says nothing about distsweep
        pytest.skip("this user may not mount a file system: run as root")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_full_disk_costs_no_recording_and_the_next_start_works(
    small_disk: Path, tmp_path: Path
) -> None:
    need(sys.platform == "linux", "tmpfs", package="mount")
    sidecar = write_short_stimulus(tmp_path)
    session = calibrated_session(small_disk / "session", 135.0)
    # Of 2.9 MB left, the probe keeps 1.4 and the first rung 0.8, and 0.3 are held back for
    # the session: the second rung's 1.0 do not fit.
    ballast = small_disk / "ballast"
    ballast.write_bytes(bytes(3_400_000))
    bench = FakeBench()
    ran = run_capture(bench, session, sidecar, *LEVELS)
    assert ran.exit_code == 3, ran.stderr
    assert "there is no room for the next recording" in ran.stderr
    # The second rung was refused before it sounded; the first is kept and in the session.
    assert (session / "axis-01.wav").exists()
    assert bench.exchanges == 2
    assert "partial = true" in (session / "session.toml").read_text()
    analysed = run_main("analyse", str(session), "--no-report", "--json", "-")
    assert analysed.exit_code == 0, analysed.stderr
    ballast.unlink()
    again = ("--levels-spl", "72", *LEVELS[2:])
    assert run_capture(FakeBench(), session, sidecar, *again).exit_code == 0
