"""Levels of the background in thirds, the loudspeaker's hiss out of pairs, and how far it is heard.

The long run is `tests/benchmarks/bench_hiss.py`.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from capture_bench import run_main

from distsweep.analysis.noise.hearing import audible_to, thresholds_db
from distsweep.analysis.noise.hiss import HissPower, difference_interval, hiss_power
from distsweep.analysis.noise.third_octave_levels import (
    NoiseLevels,
    audible_thirds_hz,
    noise_levels,
)
from distsweep.errors import InputError
from distsweep.pipeline import analyse
from distsweep.results import parse_results, read_results, to_json
from distsweep.takes.correction import no_correction

RATE_HZ = 24000
SPL_AT_0DBFS_DB = 120.0


def test_white_noise_gives_each_third_its_width(rng: np.random.Generator) -> None:
    samples = 0.01 * rng.standard_normal(20 * RATE_HZ)
    levels = noise_levels(samples, rate_hz=RATE_HZ, correction_db=no_correction)
    assert levels is not None and not levels.left_out_s
    exact_hz = 1000.0 * 10.0 ** (np.arange(-17, 11) / 10.0)
    width = exact_hz * (10.0**0.05 - 10.0**-0.05) / (RATE_HZ / 2.0)
    # Mean square 1e-4, twice that re a sine; the scatter of an average of so many freedoms.
    expected = 2e-4 * width
    assert len(levels.frequency_hz) == 28 and levels.frequency_hz[-1] == 10000.0
    error = levels.power / expected - 1.0
    assert np.all(np.abs(error) < 4.5 * np.sqrt(2.0 / levels.degrees))


def test_thirds_are_those_that_a_rate_holds() -> None:
    assert audible_thirds_hz(48000.0)[[0, -1]].tolist() == [20.0, 20000.0]
    assert audible_thirds_hz(44100.0)[-1] == 16000.0


def test_the_interval_of_differences_is_students() -> None:
    """Differences 1, 2, 3, 4, 5: mean 3, deviation √2.5, t(4) = 2.776."""
    off = np.full((5, 1), 10.0)
    on = off + np.arange(1.0, 6.0)[:, None]
    mean, low, high = difference_interval(on, off, np.full((5, 1), np.inf))
    half = 2.776 * np.sqrt(2.5 / 5.0)
    assert (mean[0], low[0], high[0]) == pytest.approx((3.0, 3.0 - half, 3.0 + half), rel=1e-3)


def test_nothing_is_at_most_and_counts_from_zero() -> None:
    off = np.array([[4.0], [1.0], [4.0]])
    on = np.array([[3.0], [2.0], [2.5]])
    mean, low, high = difference_interval(on, off, np.full((3, 1), np.inf))
    assert (mean[0], low[0]) == (0.0, 0.0)
    assert high[0] == 2.0  # no more than what the quietest moment with it on holds


@pytest.mark.parametrize(("pairs", "room"), [(3, 1e-4), (5, 1e-4), (5, 0.1), (5, 1.0)])
def test_intervals_of_differences_hold_what_is_drawn(
    pairs: int, room: float, rng: np.random.Generator
) -> None:
    """A hiss of 1, a room that wanders by a decibel: also where nothing but hiss is there, so that
    the quietest recording bounds it as its spread does. 8000 draws scatter by 0.25 %."""
    shape, freedoms = (pairs, 8000), 200.0

    def room_power():
        return room * 10.0 ** (0.1 * rng.standard_normal(shape))

    def averaged(power):
        return power * rng.chisquare(freedoms, shape) / freedoms

    on, off = averaged(1.0 + room_power()), averaged(room_power())
    _, low, high = difference_interval(on, off, np.full(shape, freedoms))
    assert np.mean((low <= 1.0) & (high >= 1.0)) > 0.94


@pytest.mark.parametrize("pairs", [1, 2])
def test_few_pairs_tell_only_at_most(pairs: int) -> None:
    on, off = np.full((pairs, 1), 5.0), np.full((pairs, 1), 1.0)
    mean, low, high = difference_interval(on, off, np.full((pairs, 1), np.inf))
    assert (mean[0], low[0], high[0]) == (0.0, 0.0, 5.0)


def test_of_thirty_thirds_without_hiss_none_is_there_by_chance(rng: np.random.Generator) -> None:
    """In every second of these some third has a low end; a line that stands clear is there."""
    thirds_hz, flat = audible_thirds_hz(48000.0), np.full(31, 1000.0)

    def drawn(line: float = 0.0) -> NoiseLevels:
        power = 1.0 + 0.1 * rng.standard_normal(31)
        power[7] += line
        return NoiseLevels(thirds_hz, power, float(np.sum(power)), flat, 1e4, ())

    def found(line: float) -> HissPower:
        return hiss_power([drawn(line) for _ in range(5)], [drawn() for _ in range(5)])

    silent = [found(0.0) for _ in range(200)]
    assert np.mean([np.any(one.low > 0.0) for one in silent]) > 0.3
    assert np.mean([np.any(one.there) for one in silent]) < 0.12
    assert all(found(3.0).there[7] for _ in range(20))


def heard(level_db: float, low_db: float, high_db: float, room_db: float):
    thirds_hz = np.array([1000.0, 4000.0])
    nothing, flat = np.full(2, -np.inf), np.ones(2)
    return audible_to(
        thirds_hz,
        level_db=np.array([-np.inf, level_db]),
        low_db=np.array([-np.inf, low_db]),
        high_db=np.array([-np.inf, high_db]),
        measured_m=0.05,
        room_db=nothing if room_db == -np.inf else room_db * flat,
        room_spread_db=0.0 * flat,
    )


def test_a_hiss_is_heard_as_far_as_1_over_r_carries_it_above_threshold_and_room() -> None:
    # 4 kHz: the threshold is −5.4 dB SPL; 20 dB are a factor of 10.
    quiet = heard(14.6, 13.6, 15.6, -np.inf)
    assert quiet.distance_m == pytest.approx(0.5) and not quiet.by_room
    assert quiet.low_m == pytest.approx(0.5 * 10.0**-0.05)
    assert quiet.frequency_hz == 4000.0
    noisy = heard(14.6, 13.6, 15.6, 8.6)
    assert noisy.distance_m == pytest.approx(0.05 * 10.0 ** (6.0 / 20.0)) and noisy.by_room
    most = heard(-np.inf, -np.inf, 14.6, -np.inf)
    assert (most.distance_m, most.low_m) == (None, None)
    assert most.high_m == pytest.approx(0.5)


def test_no_threshold_is_no_hearing() -> None:
    assert thresholds_db(np.array([20.0, 20000.0])).tolist() == [78.1, np.inf]


def session(folder: Path, rng: np.random.Generator, *, hiss: float, pairs: int = 4) -> Path:
    """A session of the background only: a room's noise at 20 times the microphone's step."""
    folder.mkdir(parents=True)
    room, tables = 1e-5, []
    for state in ("on", "off"):
        names = [f"{state}-{number}.wav" for number in range(pairs)]
        for name in names:
            level = np.hypot(room, hiss if state == "on" else 0.0)
            level *= 10.0 ** (0.3 * rng.standard_normal() / 20.0)
            samples = level * rng.standard_normal(4 * RATE_HZ)
            soundfile.write(folder / name, samples, RATE_HZ, subtype="FLOAT")
        tables.append(
            f'[[takes]]\nkind = "background"\nposition = "tweeter"\nstate = "{state}"\n'
            f"recording = {json.dumps(names)}\ndistance_m = 0.05\n"
        )
    head = "[conditions]\nlistener_distance_m = 2.5\n[calibration]\npascal_per_fs = 20.0\n"
    (folder / "session.toml").write_text(head + "\n".join(tables))
    return folder


def test_a_session_of_the_background_alone_is_analysed(
    tmp_path: Path, rng: np.random.Generator
) -> None:
    """White noise of −100 dBFS RMS and hiss of −94: known to hundredths of a decibel but for the
    room's wandering."""
    folder = session(tmp_path / "s", rng, hiss=2e-5)
    ran = run_main("analyse", str(folder), "--bundle", str(tmp_path / "s.zip"))
    assert ran.exit_code == 0, ran.stderr
    results = read_results(folder / "results" / "results.json")
    on, off = results.takes
    assert (on.kind, on.state, off.state) == ("background", "on", "off")
    assert results.take("tweeter", kind="background") is not None
    hiss = on.hiss
    assert hiss is not None and off.hiss is None and hiss.pairs == 4
    # A-weighted within 20 Hz to 11.2 kHz: by quadrature of the weighting over white noise.
    f = np.arange(18.0, 11220.0)
    weight = np.sum(10.0 ** (0.1 * a_db(f))) / (RATE_HZ / 2.0)
    true_db = 10.0 * np.log10(2.0 * 2e-5**2 * weight) + SPL_AT_0DBFS_DB
    assert hiss.low_db is not None and hiss.high_db is not None
    assert hiss.low_db <= true_db <= hiss.high_db < hiss.low_db + 3.0
    assert hiss.a_weighted_db == pytest.approx(true_db, abs=1.0)
    assert hiss.at_listener_db == pytest.approx(
        hiss.a_weighted_db - 20.0 * np.log10(50.0), abs=1e-3
    )
    assert hiss.room_from == "here" and hiss.hidden_by == "room"
    # Hiss and room have the same spectrum, 6 dB apart: it falls to the room's at twice 5 cm.
    assert hiss.audible_to_m == pytest.approx(0.1, rel=0.15)
    assert to_json(parse_results(to_json(results), where="here")) == to_json(results)
    assert {one.name for one in results.provenance.recordings} >= {"on-0.wav", "off-3.wav"}
    again = run_main("analyse", str(tmp_path / "s.zip"), "--json", str(tmp_path / "again.json"))
    assert again.exit_code == 0
    assert "numbers are those of the results in the bundle" in again.stderr


def a_db(f: np.ndarray) -> np.ndarray:
    """A-weighting by the formula of IEC 61672-1, annex E."""

    def bare(f):
        return (
            12194.217**2 * f**4
            / ((f**2 + 20.598997**2) * (f**2 + 12194.217**2)
               * np.sqrt((f**2 + 107.65265**2) * (f**2 + 737.86223**2)))
        )  # fmt: skip

    return 20.0 * np.log10(bare(f) / bare(1000.0))


def test_uncalibrated_hiss_is_in_dbfs_and_held_against_no_threshold(
    tmp_path: Path, rng: np.random.Generator
) -> None:
    folder = session(tmp_path / "s", rng, hiss=2e-5, pairs=2)
    text = (folder / "session.toml").read_text()
    (folder / "session.toml").write_text(text.replace("pascal_per_fs = 20.0", ""))
    on, _ = analyse(folder).takes
    assert on.level_unit == "dBFS" and on.hiss is not None
    assert on.hiss.audible_to_high_m is None
    assert (on.hiss.a_weighted_db, on.hiss.low_db) == (None, None)
    assert on.hiss.high_db == pytest.approx(on.a_weighted_db, abs=0.3)


def test_a_room_that_was_not_recorded_hides_nothing(
    tmp_path: Path, rng: np.random.Generator
) -> None:
    folder = session(tmp_path / "s", rng, hiss=2e-5, pairs=1)
    text = (folder / "session.toml").read_text()
    (folder / "session.toml").write_text(text[: text.rindex("[[takes]]")])
    (on,) = analyse(folder).takes
    assert on.hiss is not None
    assert (on.hiss.room_from, on.hiss.hidden_by) == (None, "threshold")
    assert on.hiss.audible_to_high_m == on.hiss.audible_in_silence_high_m


def test_hiss_that_cannot_be_is_refused(tmp_path: Path, rng: np.random.Generator) -> None:
    results = analyse(session(tmp_path / "s", rng, hiss=2e-5, pairs=1))
    for spoil in (
        lambda hiss: hiss["level_db"].pop(),
        lambda hiss: hiss.update(audible_to_high_m=-1.0),
    ):
        data = json.loads(to_json(results))
        spoil(data["takes"][0]["hiss"])
        with pytest.raises(InputError, match="is damaged"):
            parse_results(json.dumps(data), where="here")


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"distance_m = 0.05": ""}, "background_distance_unknown"),
        ({"distance_m = 0.05": "distance_m = 5"}, "background_far"),
        ({'"on"': '"was on"', '"off"': '"on"', "was on": "off"}, "background_exchanged"),
    ],
)
def test_slips_in_the_tables_of_hiss_are_warned_of(
    changes: dict[str, str], code: str, tmp_path: Path, rng: np.random.Generator
) -> None:
    folder = session(tmp_path / "s", rng, hiss=2e-5)
    file = folder / "session.toml"
    text = file.read_text().replace("[conditions]", "[conditions]\ndistance_m = 1.0")
    for former, written in changes.items():
        text = text.replace(former, written)
    file.write_text(text)
    results = analyse(folder)
    assert [warning.code for warning in results.warnings] == [code]
    hiss = results.take("tweeter", kind="background").hiss
    assert hiss is not None
    assert (hiss.audible_to_high_m is None) == (code == "background_distance_unknown")
