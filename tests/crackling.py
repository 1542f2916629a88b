"""Loudspeakers that crackle where the cone goes far, and rooms that crackle when they like.

A crackling loudspeaker clicks whenever its instantaneous excursion rises past a threshold: always
at the same place of the cycle, at the same played frequencies, in every rung that is loud enough.
"""

from __future__ import annotations

import numpy as np
import scipy.fft
import scipy.signal


def excursion(waveform: np.ndarray, rate_hz: int, *, resonance_hz: float, q: float) -> np.ndarray:
    """Return how far the cone goes, 1 for a slow unit drive: a low-pass of 12 dB an octave."""
    length = scipy.fft.next_fast_len(len(waveform) + rate_hz // 2, real=True)
    ratio = 1j * scipy.fft.rfftfreq(length, 1.0 / rate_hz) / resonance_hz
    moved = scipy.fft.rfft(waveform, length) / (ratio**2 + ratio / q + 1.0)
    return np.asarray(scipy.fft.irfft(moved, length)[: len(waveform)])


def passings(moved: np.ndarray, threshold: float) -> np.ndarray:
    """Return the samples at which an excursion rises past a threshold."""
    above = moved > threshold
    return np.flatnonzero(above[1:] & ~above[:-1]) + 1


def a_click(rng: np.random.Generator, rate_hz: int) -> np.ndarray:
    """Return a click of 0.1 to 1 ms, peak 1, that rings at 1 to 8 kHz."""
    decay_s = float(np.exp(rng.uniform(np.log(1e-4), np.log(1e-3)))) / 3.0
    time_s = np.arange(round(6.0 * decay_s * rate_hz) + 2) / rate_hz
    ring = np.sin(2.0 * np.pi * rng.uniform(1e3, 8e3) * time_s) * np.exp(-time_s / decay_s)
    return np.asarray(ring / np.max(np.abs(ring)))


def clicks_at(places: np.ndarray, sizes: np.ndarray, shape: np.ndarray, length: int) -> np.ndarray:
    """Return a signal of clicks of one shape at samples, each of its size."""
    train = np.bincount(places, sizes, length)[:length]
    return np.asarray(scipy.signal.oaconvolve(train, shape)[:length])
