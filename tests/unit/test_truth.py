"""The whole way, from a 24-bit recording to results, against closed-form loudspeakers.

These four are fixed; ``tests/benchmarks/truth.py`` draws others at random.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from closed_form import (
    Branch,
    cascade,
    flat,
    harmonic_amplitudes,
    high_pass,
    low_pass,
    peak,
    play,
)
from conftest import RATE_HZ, Bench, ladder_recipe

from distsweep.results import Rung, Take

GAIN = 0.4
AMPLITUDE = 10.0 ** (-10.0 / 20.0)

LOUDSPEAKERS = {
    "memoryless": [Branch(flat, (1.0, 0.02, -0.05, 0.01, 0.02), flat)],
    "small two-way": [
        Branch(cascade(high_pass(55, 0.9)), (1.0,), low_pass(19000, 0.6)),
        Branch(low_pass(120, 0.6), (0.0, 0.04, 0.05, 0.0, 0.01), high_pass(40)),
        Branch(high_pass(2500, 0.6), (0.0, 0.008, 0.003), flat),
    ],
    "resonances that radiate": [
        Branch(
            high_pass(70),
            (1.0, 0.01, 0.02, 0.003, 0.002),
            cascade(peak(640, 8, 5), peak(2900, 6, -3)),
        )
    ],
    "sealed subwoofer": [
        Branch(high_pass(30, 0.7), (1.0, 0.03, -0.08, 0.0, 0.02), low_pass(3000, 0.5))
    ],
}


def harmonic_errors_db(
    rung: Rung, truth: np.ndarray, *, least_db: float = -90.0
) -> tuple[np.ndarray, np.ndarray]:
    """Errors of harmonic levels that are truly above ``least_db``, and those levels."""
    errors, levels = [], []
    for order, curve in rung.harmonics.items():
        with np.errstate(divide="ignore"):
            true_db = 20.0 * np.log10(truth[order - 1] / truth[0])
        held = np.isfinite(curve.level_db) & (true_db >= least_db)
        errors.append((curve.level_db - true_db)[held])
        levels.append(true_db[held])
    return np.concatenate(errors), np.concatenate(levels)


@pytest.fixture(scope="module", params=LOUDSPEAKERS, ids=str)
def measured(request: pytest.FixtureRequest, long_bench: Bench) -> tuple[list[Branch], Take]:
    """A loudspeaker and its take; each is played once for all tests."""
    branches = LOUDSPEAKERS[request.param]
    heard = GAIN * play(branches, long_bench.waveform, RATE_HZ)
    return branches, long_bench.analyse(heard).take()


def test_fundamental_and_harmonics(measured: tuple[list[Branch], Take]) -> None:
    branches, take = measured
    rung = take.rungs[0]
    truth = harmonic_amplitudes(branches, take.frequency_hz, AMPLITUDE, 10)
    fundamental_db = rung.fundamental_db - 20.0 * np.log10(GAIN * truth[0])
    assert np.max(np.abs(fundamental_db)) <= 0.01
    errors_db, _ = harmonic_errors_db(rung, truth)
    assert len(errors_db) > 500
    assert np.median(np.abs(errors_db)) <= 0.005
    assert np.percentile(np.abs(errors_db), 99) <= 0.1


def test_thd_is_the_root_sum_of_what_fits_the_band(
    measured: tuple[list[Branch], Take],
) -> None:
    branches, take = measured
    rung, f = take.rungs[0], take.frequency_hz
    truth = harmonic_amplitudes(branches, f, AMPLITUDE, 10)
    fits = np.arange(2, 11)[:, None] * f <= 20000.0 * 1.0000001
    assert np.array_equal(rung.orders_summed, fits.sum(axis=0))
    ratio = np.sqrt(np.sum((truth[1:] * fits) ** 2, axis=0)) / truth[0]
    some = (ratio > 10.0 ** (-85.0 / 20.0)) & fits.any(axis=0)
    errors_db = rung.thd_db[some] - 20.0 * np.log10(ratio[some])
    assert np.percentile(np.abs(errors_db), 99) <= 0.1
    assert np.allclose(rung.thd_percent[some], 100.0 * 10.0 ** (rung.thd_db[some] / 20.0))
    re_total = rung.thd_percent / np.sqrt(1.0 + (rung.thd_percent / 100.0) ** 2)
    assert np.allclose(rung.thd_re_total_percent[some], re_total[some], rtol=1e-6)
    assert np.isnan(rung.thd_db[~fits.any(axis=0)]).all()


def test_a_linear_system_shows_no_harmonics(long_bench: Bench) -> None:
    branches = [Branch(cascade(high_pass(48, 0.9), peak(250, 4, 3)), (1.0,), low_pass(17000))]
    take = long_bench.analyse(GAIN * play(branches, long_bench.waveform, RATE_HZ)).take()
    f, most_db = take.frequency_hz, take.rungs[0].thd_high_db
    assert np.nanmax(most_db[f >= 50.0]) < -105.0
    assert most_db[0] < -80.0
    assert not take.rungs[0].thd_reliable.any()


def test_input_referred_is_flat_where_distortion_precedes_the_response(
    long_bench: Bench,
) -> None:
    """Polynomial, then filter: with the response divided out, only the polynomial is left."""
    coefficients = (1.0, 0.02, -0.05, 0.0, 0.2)
    response = cascade(peak(700, 8, 8), peak(3000, 5, -6))
    branches = [Branch(flat, coefficients, response)]
    take = long_bench.analyse(GAIN * play(branches, long_bench.waveform, RATE_HZ)).take()
    bare = harmonic_amplitudes([Branch(flat, coefficients, flat)], np.array([1e3]), AMPLITUDE, 5)
    for order in (2, 3, 5):
        curve = take.rungs[0].harmonics[order]
        flat_db = 20.0 * np.log10(bare[order - 1, 0] / bare[0, 0])
        held = curve.reliable
        assert held.sum() > 200
        assert np.ptp(curve.level_db[held]) > 6.0
        # 0.1 dB: the response between grid points is interpolated.
        assert np.max(np.abs(curve.input_referred_db[held] - flat_db)) < 0.1


@pytest.mark.parametrize(
    ("rate_hz", "band_hz", "sweep_s", "order"),
    [
        (44100, [40, 18000], 4.0, 5),
        (96000, [40, 40000], 4.0, 5),
        (192000, [80, 80000], 3.0, 4),
        (48000, [10, 400], 12.0, 8),
        (48000, [100, 1000], 3.0, 40),
    ],
    ids=["44.1 kHz", "96 kHz", "192 kHz", "subwoofer", "more orders than the band holds"],
)
def test_other_rates_and_bands(
    tmp_path: Path, rate_hz: int, band_hz: list[float], sweep_s: float, order: int
) -> None:
    recipe = ladder_recipe(
        rate_hz=rate_hz, band_hz=band_hz, sweep_s=sweep_s, levels_dbfs=[-10], order=order
    )
    bench = Bench(tmp_path, recipe)
    # Filters behind the nonlinearity: those before it cost accuracy in short sweeps.
    response = cascade(high_pass(35, 0.8), low_pass(60000))
    branches = [Branch(flat, (1.0, 0.02, 0.03, 0.01), response)]
    take = bench.analyse(GAIN * play(branches, bench.waveform, rate_hz), rate_hz=rate_hz).take()
    # Two clocks that are one: the drift found is nothing, also from a marker of low pitch.
    assert take.clock_drift_ppm == pytest.approx(0.0, abs=0.5)
    truth = harmonic_amplitudes(branches, take.frequency_hz, AMPLITUDE, order)
    fundamental_db = take.rungs[0].fundamental_db - 20.0 * np.log10(GAIN * truth[0])
    # At 44.1 kHz there is little room for a guard band above 18 kHz.
    assert np.max(np.abs(fundamental_db)) <= 0.03
    errors_db, _ = harmonic_errors_db(take.rungs[0], truth, least_db=-80.0)
    assert len(errors_db) > 100
    assert np.median(np.abs(errors_db)) <= 0.01
    assert np.percentile(np.abs(errors_db), 99) <= 0.15
