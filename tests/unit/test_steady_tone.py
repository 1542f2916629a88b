"""What a steady tone shows of an excited mode, told from a sweep that passes it too fast."""

from __future__ import annotations

import numpy as np
import pytest
from closed_form import Branch, cascade, flat, harmonic_amplitudes, high_pass, play
from conftest import RATE_HZ, Bench
from resonating import band_pass

from distsweep.analysis.ladder import MeasuredLadder
from distsweep.analysis.resonance.steady import steady_level
from distsweep.analysis.resonance.swept_fit import fit_mode
from distsweep.analysis.resonance.swept_mode import steady, swept
from distsweep.analysis.sweep.windows import WindowSpans
from distsweep.analysis.take import measure_take
from distsweep.results import Conditions
from distsweep.takes.session_calibration import Calibration
from distsweep.takes.session_takes import TakeEntry
from distsweep.takes.take import find_take, take_settings

MODE_HZ, Q = 180.0, 18.0
BOX = high_pass(60, 0.7)
OWN = Branch(BOX, (1.0, 0.003, 0.003), flat)
SET_OFF = [OWN, Branch(cascade(BOX, band_pass(MODE_HZ, Q)), (0.0, 0.05, 0.4), flat)]
"""Its third harmonic stands 20 dB above its surroundings."""


def measured(bench: Bench, branches: list[Branch]) -> MeasuredLadder:
    path = bench.record(0.3 * play(branches, bench.waveform, RATE_HZ), subtype="FLOAT")
    found = find_take(TakeEntry("axis", bench.sidecar, (path,)))
    settings = take_settings(bench.stimulus.recipe, Calibration(), Conditions())
    ladder = measure_take(found.cut, settings)
    assert isinstance(ladder, MeasuredLadder)
    return ladder


def true_db(
    branches: list[Branch], frequency_hz: np.ndarray, dbfs: float, order: int
) -> np.ndarray:
    amplitudes = harmonic_amplitudes(branches, frequency_hz, 10 ** (dbfs / 20), order)
    return np.asarray(20 * np.log10(amplitudes[order - 1] / amplitudes[0]))


@pytest.mark.parametrize(
    ("mode_hz", "q"), [(100.0, 40.0), (180.0, 18.0), (700.0, 30.0), (300.0, 8.0), (1900.0, 40.0)]
)
def test_the_simulated_sweep_is_the_one_that_was_played(
    make_bench, mode_hz: float, q: float
) -> None:
    """A mode's products alone, of known size: measured to 0.5 % of their top, phase included."""
    bench = make_bench(sweep_s=4.0, band_hz=[40, 16000], levels_dbfs=[-10])
    branches = [Branch(flat, (1.0,), flat), Branch(band_pass(mode_hz, q), (0.0, 0.3, 0.3), flat)]
    harmonics = measured(bench, branches).swept
    near = np.abs(np.log2(harmonics.frequency_hz / mode_hz)) < 2.0 / q
    at_hz = harmonics.frequency_hz[near]
    for order in (2, 3):
        spans = WindowSpans(order, order * 40.0, harmonics.rate_constant_s)
        simulated = swept(
            at_hz, mode_hz=mode_hz, q=q, order=order, rate_constant_s=harmonics.rate_constant_s,
            spans=spans,
        )  # fmt: skip
        size = 0.3 * 0.3 * 10 ** (-10 * order / 20) / 2 ** (order - 1)
        values = harmonics.values[order - 1, 0, near] / size
        # Orders of a sine have a phase of their own, a multiple of 90 degrees.
        turn = 1j ** round(np.angle(np.vdot(simulated, values)) / (np.pi / 2))
        assert np.max(np.abs(values - turn * simulated)) < 0.005 * np.max(np.abs(simulated))


def test_a_slow_sweep_shows_what_a_steady_tone_does() -> None:
    """With Q 6 and L of 60 s the sweep's rate over the bandwidth squared is 0.001."""
    at_hz = 500.0 * 2.0 ** (np.arange(-10, 11) / 48)
    for order in (2, 3, 5):
        still = steady(at_hz, mode_hz=500.0, q=6.0, order=order)
        moving = swept(
            at_hz, mode_hz=500.0, q=6.0, order=order, rate_constant_s=60.0,
            spans=WindowSpans(order, 20.0 * order, 60.0),
        )  # fmt: skip
        assert np.max(np.abs(still - moving)) < 0.03


def test_frequency_and_q_are_fitted_through_what_else_sounds_there(make_bench) -> None:
    bench = make_bench(sweep_s=6.0, band_hz=[40, 16000], levels_dbfs=[-10])
    found = fit_mode(measured(bench, SET_OFF).swept, 183.0, 26.0, row=0)
    assert found is not None
    assert found.frequency_hz == pytest.approx(MODE_HZ, rel=2e-3)
    assert found.q == pytest.approx(Q, rel=0.03)
    level = steady_level(found, -10.0)
    around_hz = np.linspace(175.0, 185.0, 101)
    top_db = float(np.max(true_db(SET_OFF, around_hz, -10.0, level.order)))
    assert level.level_db == pytest.approx(top_db, abs=0.2)
    assert level.swept_db < top_db - 1.0
    assert level.low_db <= top_db <= level.high_db


def test_nothing_is_fitted_where_no_mode_is(make_bench) -> None:
    bench = make_bench(sweep_s=3.0, levels_dbfs=[-10])
    harmonics = measured(bench, [OWN]).swept
    assert [fit_mode(harmonics, hz, 20.0, row=0) for hz in (150.0, 400.0, 1100.0)] == [None] * 3


def test_intervals_hold_the_steady_tone_on_top_and_flanks(make_bench) -> None:
    """Q 18 at 180 Hz, third harmonic, 6 s: 2.5 dB low on top, several dB high on the flanks."""
    bench = make_bench(sweep_s=6.0, band_hz=[40, 16000], levels_dbfs=[-16, -10])
    rng = np.random.default_rng(5)
    sound = 0.3 * play(SET_OFF, bench.waveform, RATE_HZ)
    results = bench.analyse(sound + 1e-6 * rng.standard_normal(len(sound)), subtype="FLOAT")
    take = results.take()
    around = np.abs(np.log2(take.frequency_hz / MODE_HZ)) < 0.3
    held, shifted = [], []
    for rung in take.rungs:
        for order in (2, 3):
            curve = rung.harmonics[order]
            steady_db = true_db(SET_OFF, take.frequency_hz, rung.drive_dbfs, order)[around]
            held.append((curve.low_db[around] <= steady_db) & (steady_db <= curve.high_db[around]))
            shifted.append(np.abs(curve.level_db[around] - steady_db))
    # As swept, a quarter of the points would be a decibel off and more.
    assert np.mean(np.concatenate(shifted) > 1.0) > 0.1
    assert np.mean(np.concatenate(held)) >= 0.95
    (one,) = [r for r in results.resonances if r.kind == "excited"]
    assert one.steady_order is not None and one.steady_level_db is not None
    top_db = np.max(true_db(SET_OFF, np.linspace(175.0, 185.0, 101), -10.0, one.steady_order))
    assert one.steady_level_db == pytest.approx(top_db, abs=0.3)
    assert one.steady_sweep_s is not None and one.steady_sweep_s > 6.0
    assert "A steady tone of 180 Hz at −10" in one.summary


def test_thd_and_smoothed_curves_reach_as_far(make_bench) -> None:
    bench = make_bench(sweep_s=4.0, band_hz=[40, 16000], levels_dbfs=[-16, -10])
    sound = 0.3 * play(SET_OFF, bench.waveform, RATE_HZ)
    noise = 1e-6 * np.random.default_rng(6).standard_normal(len(sound))
    take = bench.analyse(sound + noise, subtype="FLOAT").take()
    rung, f = take.rungs[-1], take.frequency_hz
    amplitudes = harmonic_amplitudes(SET_OFF, f, 10 ** (-10 / 20), 5)
    thd = np.sum((amplitudes[1:] / amplitudes[0]) ** 2, axis=0)
    around = np.abs(np.log2(f / MODE_HZ)) < 0.1
    thd_db = 10 * np.log10(thd)
    assert np.max(np.abs(rung.thd_db - thd_db)[around]) > 2.0
    held = (rung.thd_low_db <= thd_db) & (thd_db <= rung.thd_high_db)
    assert np.mean(held[around]) >= 0.9
    twelfth = next(one for one in rung.smoothed if one.bands_per_octave == 12)
    middle = int(np.argmin(np.abs(np.log(twelfth.frequency_hz / MODE_HZ))))
    inside = np.abs(np.log2(f / twelfth.frequency_hz[middle])) <= 1 / 24
    mean_db = 10 * np.log10(np.mean(thd[inside]))
    assert abs(twelfth.thd.level_db[middle] - mean_db) > 1.0
    assert twelfth.thd.low_db[middle] <= mean_db <= twelfth.thd.high_db[middle]


def test_advice_says_where_it_is_of_noise_alone(make_bench) -> None:
    bench = make_bench(sweep_s=3.0, band_hz=[40, 16000], levels_dbfs=[-16, -10], quiet_s=3.0)
    for branches, fewer in ((SET_OFF, True), ([OWN], False)):
        sound = 0.3 * play(branches, bench.waveform, RATE_HZ)
        noise = 3e-4 * np.random.default_rng(6).standard_normal(len(sound))
        take = bench.analyse(sound + noise, subtype="FLOAT").take()
        assert take.thd_advice
        for one in take.thd_advice:
            (rung,) = [rung for rung in take.rungs if rung.drive_dbfs == one.drive_dbfs]
            thirds = rung.thd_third_octave
            asked = (thirds.frequency_hz >= 100.0) & (thirds.frequency_hz <= 5000.0)
            known = int(np.sum((thirds.high_db - thirds.low_db)[asked] <= 3.0))
            assert known == one.bands_known or (known < one.bands_known and one.beside_modes)
            assert ("octave, what the sweep passes too fast left out" in one.sentence) == (
                one.beside_modes
            )
        assert any(one.beside_modes for one in take.thd_advice) == fewer


def test_intervals_reach_as_far_where_the_search_lists_nothing(make_bench) -> None:
    """In 3 s the second harmonic of 120 Hz has 35 periods to itself, and is not searched."""
    bench = make_bench(sweep_s=3.0, band_hz=[40, 16000], levels_dbfs=[-16, -10])
    branches = [OWN, Branch(band_pass(120.0, 18.0), (0.0, 0.1), flat)]
    sound = 0.3 * play(branches, bench.waveform, RATE_HZ)
    noise = 1e-6 * np.random.default_rng(8).standard_normal(len(sound))
    results = bench.analyse(sound + noise, subtype="FLOAT")
    assert [one for one in results.resonances if one.kind == "excited"] == []
    take = results.take()
    curve, near = take.rungs[-1].harmonics[2], np.abs(np.log2(take.frequency_hz / 120.0)) < 0.04
    steady_db = true_db(branches, take.frequency_hz, -10.0, 2)
    assert np.max((steady_db - curve.level_db)[near]) > 3.0
    assert np.all((curve.low_db <= steady_db)[near] & (steady_db <= curve.high_db)[near])


def test_without_a_mode_intervals_stay_as_noise_leaves_them(make_bench) -> None:
    bench = make_bench(sweep_s=3.0, levels_dbfs=[-16, -10])
    sound = 0.3 * play([OWN], bench.waveform, RATE_HZ)
    sound = sound + 1e-6 * np.random.default_rng(7).standard_normal(len(sound))
    ladder_path = bench.record(sound, subtype="FLOAT")
    found = find_take(TakeEntry("axis", bench.sidecar, (ladder_path,)))
    settings = take_settings(bench.stimulus.recipe, Calibration(), Conditions())
    alone = measure_take(found.cut, settings)
    assert isinstance(alone, MeasuredLadder)
    whole = bench.analyse(sound, subtype="FLOAT").take()
    for before, after in zip(alone.rungs, whole.rungs, strict=True):
        for order, curve in before.harmonics.items():
            assert np.array_equal(curve.low_db, after.harmonics[order].low_db, equal_nan=True)
            assert np.array_equal(curve.high_db, after.harmonics[order].high_db, equal_nan=True)


def test_a_sweep_as_long_as_is_named_shows_the_top_directly(make_bench) -> None:
    mode = [OWN, Branch(cascade(BOX, band_pass(400.0, 12.0)), (0.0, 0.2, 0.0), flat)]
    short = make_bench(name="short", sweep_s=2.0, levels_dbfs=[-10])
    found = fit_mode(measured(short, mode).swept, 400.0, 12.0, row=0)
    assert found is not None
    needed_s = steady_level(found, -10.0).sweep_s
    assert needed_s is not None and 2.0 < needed_s < 30.0
    top_db = float(np.max(true_db(mode, np.linspace(392.0, 408.0, 81), -10.0, 2)))
    off_db = []
    for sweep_s in (2.0, needed_s):
        bench = make_bench(name=f"of-{sweep_s:.0f}", sweep_s=round(sweep_s, 1), levels_dbfs=[-10])
        again = fit_mode(measured(bench, mode).swept, 400.0, 12.0, row=0)
        assert again is not None
        moving = again.views[0].swept(np.array([400.0]), 400.0, 12.0)
        off_db.append(float(20 * np.log10(abs(moving[0]))))
        assert steady_level(again, -10.0).level_db == pytest.approx(top_db, abs=0.2)
    assert off_db[0] < -0.6
    assert off_db[1] == pytest.approx(-0.5, abs=0.1)
