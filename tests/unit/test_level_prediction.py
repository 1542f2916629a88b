"""Levels predicted by a probe's impulse response, against what a resonance really does."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

from distsweep.capture.response import level_powers, measure_gain, measure_response
from distsweep.stimulus.sweep import design_sweep
from distsweep.takes.correction import MicCorrection, no_correction

RATE_HZ = 48000
Q, RESONANCE_HZ = 100.0, 100.0


def sweep(seconds: float):
    return design_sweep(rate_hz=RATE_HZ, band_hz=(40.0, 16000.0), sweep_s=seconds)


def resonating(wave: np.ndarray, *, height_db: float = 15.0) -> np.ndarray:
    """A peak of Q 100 at 100 Hz, ``height_db`` above a flat 1 (a biquad of the cookbook's)."""
    gain = 10.0 ** (height_db / 40.0)
    w = 2.0 * np.pi * RESONANCE_HZ / RATE_HZ
    # The cookbook's Q is that of the zeros; the poles' is gain times as high.
    alpha = np.sin(w) / (2.0 * Q / gain)
    b = np.array([1.0 + alpha * gain, -2.0 * np.cos(w), 1.0 - alpha * gain])
    a = np.array([1.0 + alpha / gain, -2.0 * np.cos(w), 1.0 - alpha / gain])
    return scipy.signal.lfilter(b / a[0], a / a[0], wave)


def probed(rng: np.random.Generator, *, noise_dbfs: float, drive_dbfs: float = -50.0):
    """A probe of 3 s through the resonance, with noise, as a capture reads it."""
    wave = 10 ** (drive_dbfs / 20) * sweep(3.0).waveform()
    noise = 10 ** (noise_dbfs / 20) / np.sqrt(2.0)
    before, after = round(0.01 * RATE_HZ), round(0.3 * RATE_HZ)
    heard = resonating(np.concatenate([np.zeros(before), wave, np.zeros(after)]))
    heard = heard + noise * rng.standard_normal(len(heard))
    quiet = noise * rng.standard_normal(round(0.7 * RATE_HZ))
    return measure_response(heard, quiet, wave, rate_hz=RATE_HZ)


def highest_dbfs(recorded: np.ndarray) -> float:
    return float(10 * np.log10(2.0 * np.max(level_powers(recorded, rate_hz=RATE_HZ))))


@pytest.mark.parametrize("noise_dbfs", [-120.0, -75.0])
@pytest.mark.parametrize("seconds", [3.0, 8.0, 30.0])
def test_a_narrow_resonance_counts_as_far_as_the_sweep_excites_it(
    seconds: float, noise_dbfs: float, rng: np.random.Generator
) -> None:
    """−75 dBFS of noise is 25 dB under the probe. What a rung of any length does is known from a
    probe of 3 s, although the probe itself shows far less of the resonance.
    """
    wave = sweep(seconds).waveform()
    found = probed(rng, noise_dbfs=noise_dbfs).highest_level_db(wave)
    assert found == pytest.approx(highest_dbfs(resonating(wave)), abs=0.5)


def test_a_steady_tone_at_the_resonance_is_told_from_a_probe_that_passes_it(
    rng: np.random.Generator,
) -> None:
    response = probed(rng, noise_dbfs=-120.0)
    assert response.steady_gain_db(RESONANCE_HZ) == pytest.approx(15.0, abs=0.5)
    assert response.steady_gain_db(1000.0) == pytest.approx(0.0, abs=0.1)
    # The probe's own level at the resonance is far lower: that is what a grid of it would show.
    assert highest_dbfs(resonating(sweep(3.0).waveform())) < 6.0


def test_noise_alone_predicts_nothing_loud(rng: np.random.Generator) -> None:
    """A probe 10 dB over the noise: the prediction stays within 1.5 dB of the flat truth."""
    wave = 10 ** (-50 / 20) * sweep(3.0).waveform()
    noise = 10 ** (-60 / 20) / np.sqrt(2.0)
    heard = np.concatenate([np.zeros(480), wave, np.zeros(14400)])
    heard = heard + noise * rng.standard_normal(len(heard))
    response = measure_response(heard, noise * rng.standard_normal(33600), wave, rate_hz=RATE_HZ)
    assert response.highest_level_db(sweep(8.0).waveform()) == pytest.approx(0.0, abs=1.5)


def test_the_microphones_deviation_is_taken_out_of_predicted_levels(
    rng: np.random.Generator,
) -> None:
    """The microphone reads 6 dB high above 2 kHz: the loudest moment is not there."""
    mic = MicCorrection(np.array([20.0, 1000.0, 2000.0, 20000.0]), np.array([0.0, 0.0, 6.0, 6.0]))
    wave = 10 ** (-50 / 20) * sweep(3.0).waveform()
    taps = scipy.signal.firwin2(
        255, [0, 1000, 2000, 24000], [1, 1, 10 ** (6 / 20), 10 ** (6 / 20)], fs=RATE_HZ
    )
    heard = np.convolve(np.concatenate([np.zeros(480), wave, np.zeros(14400)]), taps, mode="same")
    response = measure_response(heard, 1e-7 * rng.standard_normal(33600), wave, rate_hz=RATE_HZ)
    full = sweep(8.0).waveform()
    assert response.highest_level_db(full) == pytest.approx(6.0, abs=0.2)
    assert response.corrected(mic.at).highest_level_db(full) == pytest.approx(0.0, abs=0.5)


def test_the_gain_counts_all_of_the_band_and_the_loudest_frequency(
    rng: np.random.Generator,
) -> None:
    response = probed(rng, noise_dbfs=-120.0)
    gain = measure_gain(
        response,
        swept_hz=(40.0, 16000.0),
        level_band_hz=(300.0, 3000.0),
        correction_db=no_correction,
        drive_ratio=np.ones_like,
    )
    assert gain.band_db == pytest.approx(0.0, abs=0.05)
    assert gain.loudest_db == pytest.approx(15.0, abs=0.5)
    assert gain.loudest_hz == pytest.approx(RESONANCE_HZ, rel=0.01)
