"""What the analysis promises besides accuracy: flags, units, corrections, laws."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from closed_form import Branch, flat, high_pass, play
from conftest import RATE_HZ, Bench, ladder_recipe

from distsweep.analysis.noise.background import describe_background, noise_spectrum
from distsweep.analysis.settings import TakeSettings
from distsweep.analysis.sweep.grid import frequency_grid
from distsweep.pipeline import analyse
from distsweep.results import Results
from distsweep.takes.correction import no_correction

BRANCHES = [Branch(high_pass(90), (1.0, 0.05, -0.08, 0.02), flat)]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    recipe = ladder_recipe(levels_dbfs=[-30, -20, -10], return_rung=True)
    return Bench(tmp_path_factory.mktemp("rules"), recipe)


@pytest.fixture(scope="module")
def noise(bench: Bench) -> np.ndarray:
    return 1e-5 * np.random.default_rng(5).standard_normal(len(bench.waveform))


@pytest.fixture(scope="module")
def heard(bench: Bench, noise: np.ndarray) -> np.ndarray:
    return 0.4 * play(BRANCHES, bench.waveform, RATE_HZ) + noise


def test_the_grid() -> None:
    grid = frequency_grid((20.0, 20000.0))
    assert len(grid) == 479
    assert grid[0] == 20.0 and grid[48] == pytest.approx(40.0)
    assert grid[-1] <= 20000.0 < grid[-1] * 2.0 ** (1 / 48)
    assert frequency_grid((25.0, 12800.0))[-1] == pytest.approx(12800.0)


def test_reliable_is_an_interval_of_3_db_at_most(bench: Bench, heard: np.ndarray) -> None:
    reliable = 0
    for rung in bench.analyse(heard).take().rungs:
        for curve in rung.harmonics.values():
            width_db = curve.high_db - curve.low_db
            known = np.isfinite(curve.low_db)
            assert np.array_equal(curve.reliable, known & (width_db <= 3.0))
            assert np.all(
                (curve.low_db <= curve.level_db) & (curve.level_db <= curve.high_db) | ~known
            )
            reliable += np.sum(curve.reliable)
        narrow = np.isfinite(rung.thd_low_db) & (rung.thd_high_db - rung.thd_low_db <= 3.0)
        assert np.array_equal(rung.thd_reliable, narrow)
    assert reliable > 100


def test_what_clipped_is_not_reliable_and_the_rest_is(bench: Bench, heard: np.ndarray) -> None:
    """Clip one tenth of a second of the last rung: only frequencies swept then are spoilt."""
    spoilt = heard.copy()
    sweep = bench.stimulus.sweep
    start = bench.stimulus.files[0].rungs[2].start_sample + int(sweep.time_of_s(1000.0) * RATE_HZ)
    spoilt[start : start + 4800] = np.clip(40.0 * spoilt[start : start + 4800], -1.0, 1.0)
    results = bench.analyse(spoilt)
    take = results.take()
    assert [rung.clipped for rung in take.rungs] == [False, False, True]
    assert ("clipped", 2) in [(w.code, w.rung) for w in results.warnings]
    f, rung = take.frequency_hz, take.rungs[2]
    lower, upper = 1000.0, 1000.0 * np.exp(0.1 / sweep.rate_constant_s)
    assert not rung.harmonics[2].reliable[(f > lower) & (f < upper)].any()
    # The fundamental's window looks 64 periods of its octave's lower end ahead: at 280 Hz that
    # is 0.4 s, in which the sweep rises by the factor 3.6.
    assert rung.harmonics[2].reliable[(f > 150.0) & (f < 0.28 * lower)].all()
    assert rung.harmonics[2].reliable[(f > 1.6 * upper) & (f < 7000.0)].all()
    assert take.rungs[1].harmonics[2].reliable[(f > lower) & (f < upper)].all()


@pytest.mark.parametrize(("peak", "warned"), [(0.999, True), (0.97, False), (2.0, False)])
def test_a_recording_that_just_fits_is_doubted(
    bench: Bench, heard: np.ndarray, peak: float, warned: bool
) -> None:
    """One of float samples past full scale held more than would fit, and did not clip."""
    results = bench.analyse(peak * heard / np.max(np.abs(heard)), name="fits.wav")
    said = [w.message for w in results.warnings if w.code == "near_full_scale"]
    assert bool(said) == warned
    assert not warned or said[0].startswith("fits.wav peaks at −0.01 dBFS")


@pytest.mark.parametrize(("bits", "noise_steps"), [(8, 0.1), (8, 1.0), (24, 0.1)])
def test_rounding_that_no_noise_covers_is_warned_of(
    bench: Bench, bits: int, noise_steps: float
) -> None:
    """A sine of 8 bits and no noise has harmonics that nothing but its rounding made."""
    step = 2.0 ** (1 - bits)
    noise = np.random.default_rng(bits).normal(0.0, noise_steps * step, bench.waveform.size)
    steps = np.floor((0.5 * bench.waveform + noise) / step)
    results = bench.analyse(steps * step, subtype={8: "PCM_U8", 24: "PCM_24"}[bits])
    said = [w.message for w in results.warnings if w.code == "coarse_steps"]
    assert bool(said) == (bits == 8 and noise_steps < 0.5)
    assert not said or "few of the recording's own steps high" in said[0]


def test_calibration_moves_levels_and_nothing_else(bench: Bench, heard: np.ndarray) -> None:
    plain = bench.analyse(heard, name="axis.wav")
    session = bench.folder / "session.toml"
    session.write_text(
        '[calibration]\npascal_per_fs = 20.0\n[[takes]]\nposition = "axis"\n'
        'stimulus = "short.json"\nrecording = "axis.wav"\n'
    )
    calibrated = analyse(session)
    a, b = plain.take(), calibrated.take()
    assert (a.level_unit, b.level_unit) == ("dBFS", "dB SPL")
    for one, other in zip(a.rungs, b.rungs, strict=True):
        assert np.allclose(other.fundamental_db - one.fundamental_db, 120.0)
        assert np.allclose(other.fundamental_floor_db - one.fundamental_floor_db, 120.0)
        assert np.allclose(other.thd_db, one.thd_db, equal_nan=True)
        assert one.spl_db is None
        band = (b.frequency_hz >= 300.0) & (b.frequency_hz <= 3000.0)
        power = np.mean(10.0 ** (other.fundamental_db[band] / 10.0))
        assert other.spl_db == pytest.approx(10.0 * np.log10(power))
    assert plain.background is not None and calibrated.background is not None
    assert calibrated.background.level_db - plain.background.level_db == pytest.approx(120.0)
    assert "uncalibrated" in [w.code for w in plain.warnings]
    assert "uncalibrated" not in [w.code for w in calibrated.warnings]


def test_each_harmonic_is_corrected_at_its_own_frequency(bench: Bench, heard: np.ndarray) -> None:
    plain = bench.analyse(heard, name="axis.wav").take()
    (bench.folder / "mic.txt").write_text("10 0\n1000 0\n10000 4\n")
    session = bench.folder / "corrected.toml"
    session.write_text(
        '[calibration]\nmic_correction = "mic.txt"\n[[takes]]\nposition = "axis"\n'
        'stimulus = "short.json"\nrecording = "axis.wav"\n'
    )
    corrected = analyse(session).take()
    f = plain.frequency_hz

    def deviation_db(frequency_hz: np.ndarray) -> np.ndarray:
        return np.clip(4.0 * np.log10(frequency_hz / 1000.0), 0.0, 4.0)

    moved = corrected.rungs[1].fundamental_db - plain.rungs[1].fundamental_db
    assert np.allclose(moved, -deviation_db(f), atol=1e-9)
    for order in (2, 3, 4):
        a, b = (t.rungs[1].harmonics[order].level_db for t in (plain, corrected))
        expected = deviation_db(f) - deviation_db(order * f)
        held = np.isfinite(a)
        assert np.allclose((b - a)[held], expected[held], atol=1e-9)


def test_gain_change_and_crossings(bench: Bench, heard: np.ndarray, noise: np.ndarray) -> None:
    """Hold the last rung back by 2 dB: onset between the last two, half of the way minus.

    The noise stays as it is: what holds it back too is the recorder's gain.
    """
    held_back = heard - noise
    rungs = bench.stimulus.files[0].rungs
    held_back[rungs[2].start_sample : rungs[3].start_sample] *= 10.0 ** (-2.0 / 20.0)
    take = bench.analyse(held_back + noise).take()
    assert take.compression is not None
    assert take.compression.reference_drive_dbfs == -30.0
    f = take.frequency_hz
    middle = (f > 200.0) & (f < 5000.0)
    before = bench.analyse(heard).take().compression
    assert before is not None
    own = before.gain_change_db[2]
    assert np.allclose((take.compression.gain_change_db[2] - own)[middle], -2.0, atol=2e-3)
    second, third = take.compression.gain_change_db[1], take.compression.gain_change_db[2]
    expected = -20.0 + 10.0 * (-0.5 - second) / (third - second)
    assert np.allclose(take.compression.onset_dbfs[middle], expected[middle], atol=0.01)
    assert np.isnan(take.compression.drive_at_3db_dbfs[middle]).all()


def test_return_check(bench: Bench, heard: np.ndarray, noise: np.ndarray) -> None:
    """A loudspeaker gets tired, and its end marker with it; the noise does not."""
    calm = bench.analyse(heard)
    assert calm.take().return_check_db == pytest.approx(0.0, abs=0.01)
    tired = heard - noise
    tired[bench.stimulus.files[0].rungs[3].start_sample :] *= 10.0 ** (-0.8 / 20.0)
    results = bench.analyse(tired + noise)
    assert results.take().damage == []
    assert results.take().return_check_db == pytest.approx(-0.8, abs=0.02)
    assert "not_come_back" in [w.code for w in results.warnings]
    assert "not_come_back" not in [w.code for w in calm.warnings]


def test_one_rung_says_what_cannot_be_told(tmp_path: Path) -> None:
    bench = Bench(tmp_path, ladder_recipe(levels_dbfs=[-10]))
    results = bench.analyse(0.5 * bench.waveform)
    assert "one_rung" in [w.code for w in results.warnings]
    assert results.take().return_check_db is None


def test_a_reduced_drive_is_divided_out_at_the_excitation(tmp_path: Path) -> None:
    """The response is that of the loudspeaker; harmonics are those at the lower drive."""
    coefficients = (1.0, 0.05, 0.1)
    reduced = Bench(
        tmp_path, ladder_recipe(name="reduced", levels_dbfs=[-10], reduce_drive_below_hz=300)
    )
    take = reduced.analyse(
        0.5 * play([Branch(flat, coefficients, flat)], reduced.waveform, RATE_HZ)
    ).take()
    f = take.frequency_hz
    ratio = 1.0 / np.sqrt(1.0 + (300.0 / f) ** 4)
    assert np.allclose(take.drive_shape_db, 20.0 * np.log10(ratio))
    amplitude = 10.0 ** (-10.0 / 20.0) * ratio
    first = amplitude + 0.75 * 0.1 * amplitude**3
    true_db = 20.0 * np.log10(0.5 * first / ratio)
    # The envelope is not constant over a window: 0.03 dB where it falls by 12 dB an octave.
    assert np.max(np.abs(take.rungs[0].fundamental_db - true_db)) < 0.03
    second_db = 20.0 * np.log10(0.5 * 0.05 * amplitude**2 / first)
    held = np.isfinite(take.rungs[0].harmonics[2].level_db)
    assert np.max(np.abs(take.rungs[0].harmonics[2].level_db - second_db)[held]) < 0.1


def test_background_levels_and_hum(rng: np.random.Generator) -> None:
    """White noise of a known RMS, and three lines of hum of known level."""
    seconds, sigma = 6, 1e-4
    time = np.arange(seconds * RATE_HZ) / RATE_HZ
    signal = sigma * rng.standard_normal(len(time))
    for frequency_hz, level_db in ((50.0, -70.0), (100.0, -76.0), (150.0, -73.0)):
        signal += 10.0 ** (level_db / 20.0) * np.sin(2.0 * np.pi * frequency_hz * time + 1.0)
    spectrum = noise_spectrum([signal], rate_hz=RATE_HZ)
    assert spectrum is not None
    found = describe_background(spectrum, TakeSettings((20.0, 20000.0), 10, no_correction))
    assert [tone.frequency_hz for tone in found.hum] == [50.0, 100.0, 150.0]
    assert [tone.level_db for tone in found.hum] == pytest.approx([-70.0, -76.0, -73.0], abs=0.2)
    lines = sum(10.0 ** (level / 10.0) for level in (-70.0, -76.0, -73.0))
    # dBFS is re a sine of peak 1, whose mean square is ½.
    white = 2.0 * sigma**2 * (20000.0 - 20.0) / 24000.0
    assert found.level_db == pytest.approx(10.0 * np.log10(lines + white), abs=0.1)
    assert found.a_weighted_db is not None and found.a_weighted_db < found.level_db


def test_hum_of_60_hz_mains_and_none(rng: np.random.Generator) -> None:
    time = np.arange(4 * RATE_HZ) / RATE_HZ
    noise = 1e-4 * rng.standard_normal(len(time))
    hum = 1e-3 * np.sin(2 * np.pi * 60 * time) + 1e-3 * np.sin(2 * np.pi * 180 * time)
    for signal, expected in ((noise + hum, [60.0, 180.0]), (noise, [])):
        spectrum = noise_spectrum([signal], rate_hz=RATE_HZ)
        assert spectrum is not None
        found = describe_background(spectrum, TakeSettings((20.0, 20000.0), 10, no_correction))
        assert [tone.frequency_hz for tone in found.hum] == expected


def test_high_orders_show_a_rattle(bench: Bench, heard: np.ndarray) -> None:
    """Clicks once a period while 200 to 300 Hz are swept: many orders, none of them large."""
    sweep = bench.stimulus.sweep
    rattling = heard.copy()
    start = bench.stimulus.files[0].rungs[2].start_sample
    time = np.arange(sweep.samples) / RATE_HZ
    frequency = sweep.start_hz * np.exp(time / sweep.rate_constant_s)
    phase = frequency * sweep.rate_constant_s
    wraps = np.flatnonzero(np.diff(np.floor(phase)) > 0)
    wraps = wraps[(frequency[wraps] > 200.0) & (frequency[wraps] < 300.0)]
    rattling[start + wraps] += 0.03
    calm, rattle = (bench.analyse(s).take().rungs[2].high_order_db for s in (heard, rattling))
    f = bench.analyse(heard).take().frequency_hz
    inside, outside = (f > 215.0) & (f < 280.0), (f > 500.0) & (f < 1500.0)
    assert np.all((rattle - calm)[inside] > 10.0)
    assert np.all(np.abs(rattle - calm)[outside] < 1.0)
    # A click of height h a period holds m harmonics of amplitude 2h·f/rate each.
    amplitude = 0.4 * 10.0 ** (-10.0 / 20.0)
    orders = np.maximum(16000.0 / f - 5.5, 1.0)
    expected_db = 20.0 * np.log10(2.0 * 0.03 * f / RATE_HZ * np.sqrt(orders) / amplitude)
    assert np.median(np.abs(rattle - expected_db)[inside]) < 1.5


def test_results_survive_writing_and_reading(
    bench: Bench, heard: np.ndarray, tmp_path: Path
) -> None:
    from distsweep.results import read_results, to_json, write_results

    results = bench.analyse(heard)
    path = tmp_path / "deep" / "results.json"
    write_results(results, path)
    text = path.read_text()
    assert "NaN" not in text and "Infinity" not in text
    again = read_results(path)
    assert isinstance(again, Results)
    assert to_json(again) + "\n" == text
    data = json.loads(text)
    assert data["schema"] == "distsweep.results/2"
    take = data["takes"][0]
    assert set(take["rungs"][0]["harmonics"]) == {"2", "3", "4", "5"}
    lengths = {
        len(values)
        for name, values in take["rungs"][0].items()
        if isinstance(values, list) and name != "smoothed"
    }
    assert lengths == {len(take["frequency_hz"])}


def test_every_name_of_the_contract_is_there(bench: Bench, heard: np.ndarray) -> None:
    from distsweep.results import to_json

    data = json.loads(to_json(bench.analyse(heard)))
    assert {
        "schema", "device", "conditions", "calibration", "takes", "resonances", "background",
        "warnings",
    } <= set(data)  # fmt: skip
    take = data["takes"][0]
    assert {
        "position", "stimulus", "kind", "clock_drift_ppm", "level_unit", "frequency_hz", "rungs",
        "compression", "return_check_db", "limiters", "clean_level",
    } <= set(take)  # fmt: skip
    assert {
        "drive_dbfs", "spl_db", "peak_dbfs", "clipped", "fundamental_db", "fundamental_floor_db",
        "harmonics", "thd_db", "thd_percent", "thd_re_total_percent", "thd_floor_db",
        "thd_reliable", "orders_summed", "high_order_db",
    } <= set(take["rungs"][0])  # fmt: skip
    assert {
        "fundamental_low_db", "fundamental_high_db", "thd_low_db", "thd_high_db",
        "thd_third_octave",
    } <= set(take["rungs"][0])  # fmt: skip
    assert {"frequency_hz", "thd_db", "low_db", "high_db"} == set(
        take["rungs"][0]["thd_third_octave"]
    )
    assert {"level_db", "floor_db", "reliable", "input_referred_db", "low_db", "high_db"} == set(
        take["rungs"][0]["harmonics"]["2"]
    )
    assert {
        "reference_drive_dbfs", "gain_change_db", "onset_dbfs", "drive_at_1db_dbfs",
        "drive_at_3db_dbfs",
    } <= set(take["compression"])  # fmt: skip
    assert {"level_db", "a_weighted_db", "hum"} <= set(data["background"])
    assert {"code", "message", "take", "rung", "frequency_hz"} == set(data["warnings"][0])
