"""An interface that distorts by itself, on a real audio server: its harmonics are its own.

The output makes x + c·x³ of what it is given, for the loudspeaker and for the loop-back alike: of a
sine of amplitude A, H3 is c·A²/4 over 1 + 3/4·c·A².
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from rig import RATE_HZ, Rig, loudspeaker_model, write_session
from test_capture_rig import RECIPE, SPL_AT_0DBFS_IN_DB, expected_harmonics_db

from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.write import write_stimulus

pytest_plugins = ["audio_fixtures"]
pytestmark = [pytest.mark.system, pytest.mark.real_time]

LOUDEST_DBFS, SECOND_DBFS = -40.0, -46.0
DELAY = 240
"""Samples of the loudspeaker's own, by default in ``rig_loudspeaker.py``."""


def cubic(third_db: float) -> float:
    """Coefficient of x³ that makes this third harmonic at the loudest drive."""
    return 4.0 * 10.0 ** (third_db / 20.0) / 10.0 ** (LOUDEST_DBFS / 10.0)


def with_loopback(session: Path) -> None:
    """Name the second column of the take's recordings in its table, where capture did not."""
    file = session / "session.toml"
    text = file.read_text()
    if "loopback_channel" not in text:
        file.write_text(text.replace("channel = 1\n", "channel = 1\nloopback_channel = 2\n"))


@pytest.mark.long
@pytest.mark.parametrize("third_db", [-140.0, -50.0])
def test_an_interfaces_third_harmonic_is_never_called_the_loudspeakers(
    rig: Rig, tmp_path: Path, third_db: float
) -> None:
    recipe = {**RECIPE, "levels_dbfs": [SECOND_DBFS, LOUDEST_DBFS]}
    sidecar = write_stimulus(parse_recipe(recipe, "test"), tmp_path)[1][-1]
    session = write_session(tmp_path / "session", spl_at_0dbfs_in_db=SPL_AT_0DBFS_IN_DB)
    model = loudspeaker_model(
        second=0.0, third=cubic(third_db), gain_db=14.0, noise_dbfs=-106.0,
        interface=cubic(-80.0),
    )  # fmt: skip
    rig.start_loudspeaker(model)
    captured = rig.run(
        "capture", str(session), "--stimulus", str(sidecar), "--input", "mic", "--output", "spk",
        "--loopback-channel", "2", "--accept-level", "95", "--buffer-ms", "80",
    )  # fmt: skip
    assert captured.exit_code == 0, captured.stderr[-3000:]
    with_loopback(session)
    analysed = rig.run("analyse", str(session), "--no-report", "--json", "-")
    assert analysed.exit_code == 0, analysed.stderr
    take = json.loads(analysed.stdout)["takes"][0]
    # Filters around 150 Hz and 2 kHz move the marker by a few samples.
    assert take["loopback"]["delay_ms"] == pytest.approx(1e3 * DELAY / RATE_HZ, abs=0.15)
    f = np.array(take["frequency_hz"])
    held = 3.0 * f < RECIPE["band_hz"][1]
    rung = max(take["rungs"], key=lambda one: one["drive_dbfs"])
    assert rung["drive_dbfs"] == LOUDEST_DBFS
    third = {key: np.array(value, dtype=float) for key, value in rung["harmonics"]["3"].items()}
    own_db = 20.0 * np.log10(1e-4 / (1.0 + 3e-4))
    np.testing.assert_allclose(third["interface_db"][held], own_db, atol=1.0)  # issue
    thirds = next(one for one in rung["smoothed"] if one["bands_per_octave"] == 3)
    averaged = {key: np.array(v, dtype=float) for key, v in thirds["harmonics"]["3"].items()}
    if third_db < -100.0:
        assert np.mean(third["level_db"][held] > -90.0) > 0.9, "it is measured"
        assert not third["reliable"].any()
        at_most = np.isnan(third["low_db"][held])
        assert at_most.mean() >= 0.975, "of intervals at 95 %, one low end in forty may be wrong"
        assert np.all(np.isnan(averaged["low_db"]))
        assert np.all(third["high_db"][held] > own_db)
        return
    with np.errstate(divide="ignore"):  # it makes no second
        truth_db = expected_harmonics_db(model, LOUDEST_DBFS, f)[3]
    inside = (third["low_db"] <= truth_db) & (truth_db <= third["high_db"])
    assert third["reliable"][held].mean() > 0.9
    assert inside[held].mean() >= 0.95
