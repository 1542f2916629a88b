"""Powered loudspeakers whose limiters are known, for the tests of compression.

A feed-forward limiter at a control rate: the level of the analytic signal (peak of a sine,
dBFS), the static curve of Giannoulis, Massberg and Reiss (JAES 60(6), 2012), and a one-pole
smoother of the gain in dB with one time constant for attack and another for release. Behind
it a mildly nonlinear loudspeaker: a polynomial, then a linear filter. Nothing here uses the
package's signal processing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
import scipy.signal

CONTROL_STEP = 4


@dataclass(frozen=True)
class TrueLimiter:
    threshold_dbfs: float
    ratio: float
    knee_db: float
    attack_ms: float
    release_ms: float

    def static_gain_db(self, level_dbfs: np.ndarray) -> np.ndarray:
        over, width = level_dbfs - self.threshold_dbfs, self.knee_db
        slope = 1.0 / self.ratio - 1.0
        hard = np.where(over > 0.0, slope * over, 0.0)
        if width == 0.0:
            return hard
        inside = slope * (over + width / 2.0) ** 2 / (2.0 * width)
        return np.where(2.0 * np.abs(over) <= width, inside, hard)

    def gain(self, waveform: np.ndarray, rate_hz: int) -> np.ndarray:
        """Return the gain factor at every sample."""
        length = scipy.fft.next_fast_len(len(waveform))
        envelope = np.abs(scipy.signal.hilbert(waveform, length))[: len(waveform)]
        level = 20.0 * np.log10(np.maximum(envelope[::CONTROL_STEP], 1e-6))
        wanted = self.static_gain_db(level)
        step_s = CONTROL_STEP / rate_hz
        attack = np.exp(-step_s / (1e-3 * self.attack_ms))
        release = np.exp(-step_s / (1e-3 * self.release_ms))
        gain_db, state = np.empty(len(wanted)), 0.0
        for i, goal in enumerate(wanted.tolist()):
            keep = attack if goal < state else release
            state = goal + keep * (state - goal)
            gain_db[i] = state
        at = np.arange(len(wanted)) * CONTROL_STEP
        return 10.0 ** (np.interp(np.arange(len(waveform)), at, gain_db) / 20.0)


@dataclass(frozen=True)
class TrueLoudspeaker:
    """y = x + a2·x² + a3·x³, then a high-pass and one bell, then a gain and noise."""

    second: float = 0.01
    third: float = -0.01
    high_pass_hz: float = 45.0
    bell_hz: float = 900.0
    bell_db: float = 2.0
    gain: float = 0.5

    def response(self, frequency_hz: np.ndarray) -> np.ndarray:
        s = 1j * np.asarray(frequency_hz) / self.high_pass_hz
        high = s**2 / (s**2 + s / 0.8 + 1.0)
        b = 1j * np.asarray(frequency_hz) / self.bell_hz
        lift = 10.0 ** (self.bell_db / 20.0)
        return self.gain * high * (b**2 + b * lift / 2.0 + 1.0) / (b**2 + b / 2.0 + 1.0)

    def play(self, waveform: np.ndarray, rate_hz: int) -> np.ndarray:
        shaped = waveform + self.second * waveform**2 + self.third * waveform**3
        length = scipy.fft.next_fast_len(len(shaped) + rate_hz // 2, real=True)
        frequency_hz = scipy.fft.rfftfreq(length, 1.0 / rate_hz)
        spectrum = scipy.fft.rfft(shaped, length) * self.response(frequency_hz)
        return scipy.fft.irfft(spectrum, length)[: len(waveform)]


def low_band(waveform: np.ndarray, rate_hz: int, corner_hz: float) -> np.ndarray:
    """Return the low branch of a fourth-order Linkwitz–Riley crossover (all-pass sum)."""
    sos = scipy.signal.butter(2, corner_hz, fs=rate_hz, output="sos")
    return scipy.signal.sosfilt(np.concatenate([sos, sos]), waveform)


def high_band(waveform: np.ndarray, rate_hz: int, corner_hz: float) -> np.ndarray:
    sos = scipy.signal.butter(2, corner_hz, btype="high", fs=rate_hz, output="sos")
    return scipy.signal.sosfilt(np.concatenate([sos, sos]), waveform)


def limited(
    waveform: np.ndarray, rate_hz: int, limiter: TrueLimiter, *, below_hz: float | None = None
) -> np.ndarray:
    """Limit a whole signal, or its low band alone."""
    if below_hz is None:
        return waveform * limiter.gain(waveform, rate_hz)
    low = low_band(waveform, rate_hz, below_hz)
    return low * limiter.gain(low, rate_hz) + high_band(waveform, rate_hz, below_hz)


def with_noise(
    signal: np.ndarray, rng: np.random.Generator, *, snr_db: float, loudest_rms: float
) -> np.ndarray:
    """Add white noise ``snr_db`` below an RMS value over the whole band up to half the rate."""
    return signal + rng.normal(0.0, loudest_rms * 10.0 ** (-snr_db / 20.0), len(signal))
