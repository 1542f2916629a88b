"""Doses of plans: closed forms, invariants, and the command."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import numpy as np
import pytest
from capture_bench import run_main, write_short_stimulus

from distsweep.analysis.weighting import a_weighting_db
from distsweep.capture.exposure import (
    NIOSH,
    REGIMES,
    Exposure,
    exposures_of,
    listener_offset_db,
)
from distsweep.capture.stimulus_dose import stimulus_exposures
from distsweep.errors import InputError
from distsweep.stimulus.sidecar import read_sidecar


def test_twice_the_time_is_twice_the_dose_in_every_regime() -> None:
    for regime in REGIMES:
        once = regime.dose_percent([Exposure(95.0, 10.0)])
        assert regime.dose_percent([Exposure(95.0, 20.0)]) == pytest.approx(2.0 * once)
        assert regime.dose_percent(2 * [Exposure(95.0, 10.0)]) == pytest.approx(2.0 * once)


def test_one_exchange_up_is_half_the_time() -> None:
    for regime in REGIMES:
        louder = regime.allowed_minutes(95.0 + regime.exchange_db)
        assert louder == pytest.approx(0.5 * regime.allowed_minutes(95.0))


def test_no_sound_is_no_dose() -> None:
    assert NIOSH.dose_percent([]) == 0.0
    assert NIOSH.eight_hour_level_dba(0.0) == -math.inf


@pytest.mark.parametrize(
    ("level", "minutes"), [(math.nan, 1), (math.inf, 1), (90, -1), (90, math.nan)]
)
def test_what_is_no_exposure_is_refused(level: float, minutes: float) -> None:
    with pytest.raises(InputError, match="must be"):
        Exposure(level, minutes)


def test_a_course_of_levels_keeps_time_and_energy() -> None:
    rng = np.random.default_rng(2)
    levels = np.concatenate([rng.uniform(60.0, 100.0, 5000), np.full(100, -np.inf)])
    found = exposures_of(levels, step_s=0.01)
    assert sum(item.minutes for item in found) == pytest.approx(5000 * 0.01 / 60.0)
    energy = sum(item.minutes * 10 ** (item.level_dba / 10) for item in found)
    expected = np.sum(10 ** (levels / 10)) * 0.01 / 60.0
    assert energy == pytest.approx(expected)


def test_the_listeners_distance() -> None:
    assert listener_offset_db(1.0, 2.0) == pytest.approx(-6.0206, abs=1e-4)
    assert listener_offset_db(2.0, 1.0) == pytest.approx(6.0206, abs=1e-4)
    assert listener_offset_db(1.0, None) == listener_offset_db(None, 3.0) == 0.0
    assert listener_offset_db(0.01, 2.5) == -10.0  # a near-field microphone is no excuse
    assert listener_offset_db(1.0, 100.0) == -10.0  # nor is a large hall


def test_a_sweeps_dose_in_closed_form(tmp_path: Path) -> None:
    """An exponential sweep gives every octave the same time: the energy mean of A over lg f."""
    stimulus = read_sidecar(write_short_stimulus(tmp_path, levels_dbfs=[-20], sweep_s=4.0))
    found = stimulus_exposures(stimulus, 110.0)
    sweep, marker = stimulus.sweep, stimulus.marker
    octaves = np.linspace(np.log(sweep.start_hz), np.log(sweep.stop_hz), 20001)
    weight = np.mean(10 ** (a_weighting_db(np.exp(octaves)) / 10))
    chirp = np.linspace(np.log(marker.start_hz), np.log(marker.stop_hz), 20001)
    chirp_weight = np.mean(10 ** (a_weighting_db(np.exp(chirp)) / 10))
    level = 10 ** ((110.0 - 20.0) / 10)
    expected = level * (weight * 4.0 + chirp_weight * 2 * marker.samples / marker.rate_hz) / 60.0
    energy = sum(item.minutes * 10 ** (item.level_dba / 10) for item in found)
    # Steps of 10 ms in a sweep of 4 s: the last step may stick out by a part of itself.
    assert energy == pytest.approx(expected, rel=0.01)


def test_the_command_adds_pairs_up() -> None:
    ran = run_main(
        *("exposure", "--level", "90", "--minutes", "120", "--level", "85", "--minutes", "240"),
        *("--level", "100", "--minutes", "15", "--json", "-"),
    )
    assert ran.exit_code == 0, ran.stderr
    doses = {dose["regime"]: dose for dose in json.loads(ran.stdout)["doses"]}
    assert doses["NIOSH"]["dose_percent"] == pytest.approx(229.3701, abs=1e-4)
    assert "98-126" in doses["NIOSH"]["source"]
    assert any("2003/10/EC" in dose["source"] for dose in doses.values())
    assert any("1910.95" in dose["source"] for dose in doses.values())


@pytest.mark.parametrize(("minutes", "counting"), [("10", 5), ("0", 0)])
def test_a_dose_of_nothing_has_no_level(minutes: str, counting: int) -> None:
    """84 dBA lie under the 90 that OSHA's limit counts from; no time at all is no dose at all."""
    ran = run_main("exposure", "--level", "84", "--minutes", minutes)
    assert ran.exit_code == 0 and "inf" not in ran.stdout
    assert len(re.findall(r"8 h at +\d", ran.stdout)) == counting
    assert ran.stdout.count("nothing counts") == len(REGIMES) - counting


def test_the_command_on_a_stimulus_and_as_a_table(tmp_path: Path) -> None:
    sidecar = write_short_stimulus(tmp_path)
    ran = run_main("exposure", str(sidecar), "--spl-at-0dbfs", "120")
    assert ran.exit_code == 0, ran.stderr
    assert "NIOSH" in ran.stdout and "nobody protected" in ran.stdout
    nearer = run_main(
        *("exposure", str(sidecar), "--spl-at-0dbfs", "120", "--json", "-"),
        *("--distance-m", "2", "--listener-distance-m", "1"),
    )
    plain = run_main("exposure", str(sidecar), "--spl-at-0dbfs", "120", "--json", "-")
    doses = [json.loads(r.stdout)["doses"][0]["dose_percent"] for r in (nearer, plain)]
    assert doses[0] / doses[1] == pytest.approx(2 ** (6.0206 / 3.0), rel=0.01)


@pytest.mark.parametrize(
    "arguments",
    [
        (),
        ("--level", "90"),
        ("--minutes", "9"),
        ("--level", "90", "--minutes", "1", "--distance-m", "0"),
    ],
)
def test_wrong_usage_of_the_command(arguments: tuple[str, ...]) -> None:
    assert run_main("exposure", *arguments).exit_code == 2


def test_a_stimulus_needs_to_be_told_how_loud(tmp_path: Path) -> None:
    ran = run_main("exposure", str(write_short_stimulus(tmp_path)))
    assert ran.exit_code == 2 and "--spl-at-0dbfs" in ran.stderr
    assert run_main("exposure", "--level", "nan", "--minutes", "1").exit_code == 2


def test_a_session_without_a_record_of_playing_has_no_table(tmp_path: Path) -> None:
    (tmp_path / "session.toml").write_text("")
    ran = run_main("exposure", str(tmp_path))
    assert ran.exit_code == 0
    assert ran.stdout == "No playing is on record there, so there is no dose to add up.\n"
