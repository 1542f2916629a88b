"""Staircases through the capture: stopped, lowered, kept, and never above what was confirmed.

The bench gives 110 dB SPL at 0 dBFS and hears it 12.5 ms later; nothing here has a device.
"""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
import soundfile
from capture_bench import (
    RATE_HZ,
    FakeBench,
    Ran,
    calibrated_session,
    log_events,
    run_capture,
    run_main,
)

from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.sidecar import read_sidecar
from distsweep.stimulus.write import write_stimulus

RECIPE = {
    "kind": "staircase",
    "name": "steps",
    "rate_hz": RATE_HZ,
    "frequencies_hz": [500, 1000],
    "levels_dbfs": {"from": -45, "to": -27, "step": 3},
    "hold_s": 0.3,
    "rest_s": 0.15,
    "release_s": 0.3,
    "order": 5,
    "quiet_s": 0.5,
    "pause_s": 0.3,
}
ACCEPT = ("--accept-level", "100")


def write_steps(folder: Path, **changes: object) -> Path:
    return write_stimulus(parse_recipe({**RECIPE, **changes}, "test"), folder)[1][-1]


@pytest.fixture(scope="module")
def sidecar(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_steps(tmp_path_factory.mktemp("stimulus"))


@pytest.fixture
def session(tmp_path: Path) -> Path:
    return calibrated_session(tmp_path / "s", 120.0)


def events(session: Path, kind: str) -> list[dict]:
    return [event for event in log_events(session) if event["event"] == kind]


def takes(session: Path) -> list[dict]:
    return tomllib.loads((session / "session.toml").read_text()).get("takes", [])


def rows(session: Path) -> list[dict]:
    done = run_main("analyse", str(session), "--no-report", "--json", "-")
    assert done.exit_code == 0, done.stderr
    return json.loads(done.stdout)["takes"][0]["staircase"]


def first_tone_exchange(session: Path) -> int:
    """Exchanges before the first tone: the probes."""
    return len(events(session, "probe"))


def is_tone(bench: FakeBench, number: int) -> bool:
    return len(bench.sent[number - 1]) > 0


def test_a_staircase_is_captured_and_analysed(sidecar: Path, session: Path) -> None:
    bench = FakeBench()
    ran = run_capture(bench, session, sidecar, *ACCEPT)
    assert ran.exit_code == 0, ran.stderr
    (take,) = takes(session)
    assert take["recording"] == ["axis-01.wav", "axis-02.wav"] and "partial" not in take
    found = rows(session)
    assert [row["frequency_hz"] for row in found] == [500.0, 1000.0]
    for row in found:
        assert row["drive_dbfs"] == [-45, -42, -39, -36, -33, -30, -27]
        # The bench's gain is −10 dB, and its input's full scale 120 dB SPL.
        assert row["level_db"] == pytest.approx([d + 110.0 for d in row["drive_dbfs"]], abs=0.02)
        assert row["falling_level_db"] == pytest.approx(row["level_db"], abs=0.02)
    assert [e["frequency_hz"] for e in events(session, "tone")] == [500.0, 1000.0]
    assert bench.loudest == pytest.approx(10 ** (-27 / 20), rel=1e-3)
    assert 20 * np.log10(bench.loudest) <= events(session, "confirmed")[0]["drives_dbfs"][-1] + 1e-3
