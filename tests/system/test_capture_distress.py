"""A loudspeaker that comes into distress in mid-rung, on a real audio server."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from rig import RATE_HZ, Rig, loudspeaker_model

from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.write import write_stimulus

pytest_plugins = ["audio_fixtures"]
pytestmark = [pytest.mark.system, pytest.mark.long, pytest.mark.real_time]

RECIPE = {
    "kind": "ladder",
    "name": "short",
    "rate_hz": RATE_HZ,
    "band_hz": [200, 8000],
    "sweep_s": 4.0,
    "levels_dbfs": [-40],
    "order": 4,
    "quiet_s": 0.7,
    "pause_s": 0.3,
    "return_rung": False,
}

SPL_AT_0DBFS_IN_DB = 112.0

ABOVE_FIRST_RUNG = 10 ** (-50.0 / 20)
"""The rungs play at -52 and -43 dBFS, the markers at -52: only the second sweep comes so far."""

STRIKES_AFTER_S = 1.5
"""L is 0.84 s: the sweep is then near 500 Hz, and goes on for two and a half seconds."""

WITHIN_S = 1.0
"""Issue: capture."""


def captured(rig: Rig, folder: Path, *, second: float, limit_percent: float):
    """Capture two rungs; in the second, x² grows in mid-sweep: H2 is second·A/2, A = 0.007."""
    folder.mkdir()
    sidecar = write_stimulus(parse_recipe(dict(RECIPE), "test"), folder / "stimulus")[1][-1]
    pascal = 20e-6 * 10 ** (SPL_AT_0DBFS_IN_DB / 20)
    (folder / "session.toml").write_text(f"[calibration]\npascal_per_fs = {pascal!r}\n")
    delay = round(STRIKES_AFTER_S * RATE_HZ)
    fault = {"does": "distort", "second": second, "threshold": ABOVE_FIRST_RUNG, "delay": delay}
    rig.start_loudspeaker(loudspeaker_model(second=1.0, third=0.0, gain_db=14.0, fault=fault))
    done = rig.run(
        *("capture", str(folder), "--stimulus", str(sidecar), "--input", "mic", "--output", "spk"),
        *("--levels-spl", "75 and 84", "--accept-level", "90"),
        *("--thd-limit-percent", f"{limit_percent:g}"),
    )
    lines = (folder / "capture-log.jsonl").read_text().splitlines()
    last = [e for e in map(json.loads, lines) if e["event"] == "recorded"][-1]
    # Where it struck, in what came in at the loudspeaker; sound after that, until when.
    sent = np.abs(rig.sent())
    struck = int(np.flatnonzero(sent > ABOVE_FIRST_RUNG)[0]) + delay
    sounding_s = (int(np.flatnonzero(sent > 1e-7)[-1]) - struck) / RATE_HZ
    return done, last, sounding_s


def test_over_the_limit_in_mid_rung_it_is_silent_within_a_second(rig: Rig, tmp_path: Path) -> None:
    """H2 goes from 0.4 to 70 %."""
    done, last, sounding_s = captured(rig, tmp_path / "s", second=200.0, limit_percent=30.0)
    assert (done.exit_code, last["stop"]) == (4, "distorted"), done.stderr
    assert "THD is" in done.stderr
    print(f"silent at the loudspeaker {sounding_s:.2f} s after THD passed the limit")
    assert 0.0 < sounding_s <= WITHIN_S
    assert list((tmp_path / "s").glob("axis-02-partial*.wav"))


def test_half_the_limit_in_mid_rung_stops_nothing(rig: Rig, tmp_path: Path) -> None:
    """H2 goes to 14 %, by the peak at 2 kHz up to 20 % at 1 kHz; the limit is 40 %."""
    done, last, _ = captured(rig, tmp_path / "s", second=40.0, limit_percent=40.0)
    assert (done.exit_code, last["stop"]) == (0, None), done.stderr
