"""Noise: what is called reliable is right, and the floor is the noise's true level."""

from __future__ import annotations

import functools

import numpy as np
import pytest
from closed_form import Branch, flat, harmonic_amplitudes, high_pass, low_pass, play
from conftest import RATE_HZ, Bench

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


@pytest.mark.parametrize("seed", [3, 4, 5])
def test_every_reliable_value_is_within_1_5_db(long_bench: Bench, seed: int) -> None:
    take = long_bench.analyse(noisy(long_bench, seed)).take()
    rung = take.rungs[0]
    truth = harmonic_amplitudes(BRANCHES, take.frequency_hz, AMPLITUDE, 10)
    marginal = 0
    for order, curve in rung.harmonics.items():
        with np.errstate(divide="ignore"):
            true_db = 20.0 * np.log10(truth[order - 1] / truth[0])
        held = curve.reliable
        assert np.all(np.abs(curve.level_db - true_db)[held] <= 1.5)
        marginal += np.sum(held & (curve.level_db - curve.floor_db < 35.0))
    # The test would be empty if no value stood near the margin.
    assert marginal > 100
    fits = np.arange(2, 11)[:, None] * take.frequency_hz <= 20000.0 * 1.0000001
    thd = np.sqrt(np.sum((truth[1:] * fits) ** 2, axis=0)) / truth[0]
    held = rung.thd_reliable
    assert held.sum() > 100
    assert np.all(np.abs(rung.thd_db[held] - 20.0 * np.log10(thd[held])) <= 1.5)


def test_floors_are_the_true_noise(long_bench: Bench) -> None:
    """The mean power of many noises, analysed as harmonics, is the stated floor.

    The noise-only harmonics are orders that the loudspeaker does not make (6 to 10).
    """
    seen = {order: [] for order in range(6, 11)}
    for seed in range(10, 16):
        rung = long_bench.analyse(noisy(long_bench, seed)).take().rungs[0]
        for order, values in seen.items():
            curve = rung.harmonics[order]
            values.append(10.0 ** (curve.level_db / 10.0))
    for order, powers in seen.items():
        held = np.isfinite(powers[0])
        mean_db = 10.0 * np.log10(np.mean(powers, axis=0)[held])
        # Six noises leave 1.8 dB of spread at a point; 40 neighbours share few windows.
        smooth_db = np.convolve(mean_db, np.ones(40) / 40, mode="valid")
        floor_db = rung.harmonics[order].floor_db[held]
        smooth_floor_db = np.convolve(floor_db, np.ones(40) / 40, mode="valid")
        # The mean of dB of a power averaged six times lies 0.37 dB low (digamma(6) − ln 6).
        assert abs(np.median(smooth_db + 0.37 - smooth_floor_db)) <= 0.5


@pytest.mark.parametrize("order", [1, 2])
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
