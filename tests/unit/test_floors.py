"""Noise: what is called reliable is right, and the floor is the noise's true level."""

from __future__ import annotations

import functools

import numpy as np
import pytest
from closed_form import Branch, flat, harmonic_amplitudes, high_pass, low_pass, play
from conftest import RATE_HZ, Bench, long

AMPLITUDE = 10.0 ** (-10.0 / 20.0)

BRANCHES = [
    Branch(high_pass(50), (1.0,), flat),
    # The products fall through the floor somewhere along the band.
    Branch(low_pass(500, 0.5), (0.0, 0.08, 0.08, 0.04, 0.04), high_pass(40)),
    Branch(high_pass(3000, 0.5), (0.0, 0.003, 0.001), flat),
]


@functools.cache
def clean_sound(bench: Bench) -> np.ndarray:
    """The loudspeaker's sound without noise."""
    return 0.5 * play(BRANCHES, bench.waveform, RATE_HZ)


def noisy(bench: Bench, seed: int, noise_db: float = -60.0) -> np.ndarray:
    """The loudspeaker's sound with white noise at a level re the sweep's RMS."""
    clean = clean_sound(bench)
    rms = np.sqrt(np.mean(bench.rung_samples(clean) ** 2))
    noise = np.random.default_rng(seed).standard_normal(len(clean))
    return clean + rms * 10.0 ** (noise_db / 20.0) * noise


def test_intervals_hold_the_truth_and_reliable_values_are_within_1_5_db(
    long_bench: Bench,
) -> None:
    """Three noises; some 60 windows a curve are independent, 15 curves: 95 % to 1 % or so."""
    held, off = [], []
    for seed in (3, 4, 5):
        take = long_bench.analyse(noisy(long_bench, seed)).take()
        rung = take.rungs[0]
        truth = harmonic_amplitudes(BRANCHES, take.frequency_hz, AMPLITUDE, 10)
        for order in (2, 3, 4, 5):
            curve = rung.harmonics[order]
            true_db = 20.0 * np.log10(truth[order - 1] / truth[0])
            known = np.isfinite(curve.high_db)
            # −inf, the low end of what may be nothing, is below everything.
            held.append(((curve.low_db <= true_db) & (true_db <= curve.high_db))[known])
            off.append(np.abs(curve.level_db - true_db)[curve.reliable])
        fits = np.arange(2, 11)[:, None] * take.frequency_hz <= 20000.0 * 1.0000001
        thd = np.sqrt(np.sum((truth[1:] * fits) ** 2, axis=0)) / truth[0]
        true_db = 20.0 * np.log10(np.where(thd > 0.0, thd, np.nan))
        known = np.isfinite(rung.thd_high_db) & np.isfinite(true_db)
        held.append(((rung.thd_low_db <= true_db) & (true_db <= rung.thd_high_db))[known])
    assert 0.92 < np.mean(np.concatenate(held)) < 0.99
    errors_db = np.concatenate(off)
    assert len(errors_db) > 1000 and np.mean(errors_db > 1.0) > 0.0  # some are near the margin
    assert np.mean(errors_db > 1.5) < 0.01


def test_floors_are_the_true_noise(long_bench: Bench) -> None:
    """Where there is noise alone, what is left above it is 1/e of it on average.

    A power of complex Gaussian noise of mean N is distributed exponentially; its excess over N,
    where there is one, has the mean N/e. The orders from 6 on are not made by the loudspeaker.
    """
    seen: dict[int, list[np.ndarray]] = {order: [] for order in range(6, 11)}
    for seed in range(10, 16):
        rung = long_bench.analyse(noisy(long_bench, seed)).take().rungs[0]
        for order, ratios in seen.items():
            curve = rung.harmonics[order]
            inside = np.isfinite(curve.floor_db)
            ratio = 10.0 ** ((curve.level_db - curve.floor_db)[inside] / 10.0)
            ratios.append(np.nan_to_num(ratio))
    for ratios in seen.values():
        # Six noises of some 60 independent windows: the mean is good for a tenth.
        assert abs(np.mean(ratios) * np.e - 1.0) < 0.15


@pytest.mark.parametrize("order", [long(1), 2])
def test_errors_spread_as_the_floor_says(long_bench: Bench, order: int) -> None:
    """A noise of RMS r beside a value v moves its level by 8.69·Re(n/v) dB: RMS 6.14·r/v dB."""
    spreads = []
    for seed in (21, 22, 23):
        take = long_bench.analyse(noisy(long_bench, seed, noise_db=-50.0)).take()
        f, rung = take.frequency_hz, take.rungs[0]
        truth = harmonic_amplitudes(BRANCHES, f, AMPLITUDE, 2)
        if order == 1:
            level_db, floor_db = rung.fundamental_db, rung.fundamental_floor_db
            true_db = 20.0 * np.log10(0.5 * truth[0])
        else:
            level_db, floor_db = rung.harmonics[2].level_db, rung.harmonics[2].floor_db
            true_db = 20.0 * np.log10(truth[1] / truth[0])
        held = (level_db - floor_db > 20.0) & (f > 40.0)
        expected_db = 6.14 * 10.0 ** ((floor_db - level_db) / 20.0)
        spreads.append(((level_db - true_db) / expected_db)[held])
    spread = np.concatenate(spreads)
    assert len(spread) > 300
    # Some 60 independent windows a noise: the spread's own spread is 6 %.
    assert 0.8 < np.sqrt(np.mean(spread**2)) < 1.2


def test_digital_silence_has_the_floor_of_rounding(long_bench: Bench) -> None:
    """A 16-bit recording of a silent head still shows rounding in its sweeps."""
    clean = 0.5 * play([Branch(flat, (1.0,), flat)], long_bench.waveform, RATE_HZ)
    rung = long_bench.analyse(clean, subtype="PCM_16").take().rungs[0]
    for curve in rung.harmonics.values():
        held = np.isfinite(curve.level_db)
        assert np.all(np.isfinite(curve.floor_db[held]))
        assert not curve.reliable.any()


def test_averaged_repeats_lower_the_floor(make_bench) -> None:
    bench = make_bench(levels_dbfs=[-10], repeats=4, quiet_s=3.0)
    rng = np.random.default_rng(1)
    noise = 1e-3 * rng.standard_normal(len(bench.waveform))
    averaged = bench.analyse(bench.waveform * 0.5 + noise).take().rungs[0]
    once = make_bench(levels_dbfs=[-10], name="once", quiet_s=3.0)
    noise = 1e-3 * rng.standard_normal(len(once.waveform))
    single = once.analyse(once.waveform * 0.5 + noise).take().rungs[0]
    gained_db = single.harmonics[3].floor_db - averaged.harmonics[3].floor_db
    # 6.02 dB for four repeats; the two silences' spectra differ by chance.
    assert abs(np.nanmedian(gained_db) - 6.02) < 0.3
    # And the noise itself falls with it.
    fallen_db = np.nanmedian(single.harmonics[4].level_db - averaged.harmonics[4].level_db)
    assert 4.0 < fallen_db < 8.0
