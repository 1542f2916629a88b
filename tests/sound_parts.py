"""Loudspeakers, rooms and input channels of a simulated world; see ``sound_world``."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

RATE_HZ = 48000
SPEED_OF_SOUND_M_S = 343.0


def db(ratio: float) -> float:
    return float(20.0 * np.log10(max(ratio, 1e-20)))


def ratio(level_db: float) -> float:
    return float(10.0 ** (level_db / 20.0))


# Loudspeaker -----------------------------------------------------------------------------------


def high_pass(f_hz: float, order: int = 2) -> NDArray:
    return signal.butter(order, f_hz, "highpass", fs=RATE_HZ, output="sos")


def low_pass(f_hz: float, order: int = 2) -> NDArray:
    return signal.butter(order, f_hz, "lowpass", fs=RATE_HZ, output="sos")


def bump(f_hz: float, q: float, gain_db: float) -> NDArray:
    """Return a section that is 0 dB far away and ``gain_db`` at ``f_hz``.

    H(s) = (s² + s·A/Q + 1)/(s² + s/Q + 1) with A the gain at the centre: ``q`` is that of the
    pole, so a rise with a high Q rings as a resonance of that Q does.
    """
    w = 2.0 * RATE_HZ * np.tan(np.pi * f_hz / RATE_HZ)
    top = [1.0, ratio(gain_db) * w / q, w * w]
    bottom = [1.0, w / q, w * w]
    b, a = signal.bilinear(top, bottom, fs=RATE_HZ)
    return signal.tf2sos(b, a)


@dataclass
class Loudspeaker:
    """A polynomial, an optional limiter, and a chain of second-order sections.

    Attributes
    ----------
    second, third : coefficients of x² and x³ at full scale.
    limit_dbfs : RMS drive (re a full-scale sine) that a limiter holds; None: there is none.
    """

    sections: NDArray
    second: float = 0.0
    third: float = 0.0
    limit_dbfs: float | None = None
    _state: NDArray | None = None
    _gain: float = 1.0

    def play(self, x: NDArray) -> NDArray:
        """Return what the next samples become; filters keep their state between calls."""
        if self.limit_dbfs is not None:
            x = self._limited(x, self.limit_dbfs)
        y = x + self.second * x * x + self.third * x**3
        if self._state is None:
            self._state = np.zeros((len(self.sections), 2))
        out, self._state = signal.sosfilt(self.sections, y, zi=self._state)
        return out

    def _limited(self, x: NDArray, limit_dbfs: float) -> NDArray:
        rms = float(np.sqrt(2.0 * np.mean(x * x)))
        wanted = min(1.0, ratio(limit_dbfs) / max(rms, 1e-12))
        share = 0.7 if wanted < self._gain else 0.08  # a block of 10 ms: 8 ms and 120 ms
        after = self._gain + share * (wanted - self._gain)
        gains = np.linspace(self._gain, after, len(x), endpoint=False)
        self._gain = after
        return gains * x

    def response(self, f_hz: NDArray) -> NDArray:
        """Return the complex response to small signals."""
        return signal.sosfreqz(self.sections, f_hz, fs=RATE_HZ)[1]


# Place -----------------------------------------------------------------------------------------


def room(
    rng: np.random.Generator, *, distance_m: float, decay_s: float, direct_to_reverberant_db: float
) -> NDArray:
    """Return an impulse response: time of flight, direct sound, reflections, a decaying tail.

    The tail starts 4 ms after the direct sound, falls by 60 dB in ``decay_s`` (a third of that
    in the highest octaves), and its energy lies ``direct_to_reverberant_db`` below the direct
    sound's. ``decay_s`` 0 leaves the direct sound alone: an anechoic room.
    """
    flight = round(distance_m / SPEED_OF_SOUND_M_S * RATE_HZ)
    length = flight + 1 + round((0.004 + 0.9 * decay_s) * RATE_HZ) * (decay_s > 0.0)
    taps = np.zeros(length)
    taps[flight] = 1.0
    if decay_s <= 0.0:
        return taps
    first = flight + round(0.004 * RATE_HZ)
    time_s = np.arange(length - first) / RATE_HZ
    noise = rng.standard_normal(len(time_s))
    dull = signal.sosfilt(low_pass(3000.0, 1), noise)
    tail = 0.5 * noise * 10.0 ** (-9.0 * time_s / decay_s) + dull * 10.0 ** (
        -3.0 * time_s / decay_s
    )
    for delay_s in rng.uniform(0.004, 0.02, 4):
        place = round(delay_s * RATE_HZ) - round(0.004 * RATE_HZ)
        tail[place] += 6.0 * float(rng.choice([-1.0, 1.0])) * float(rng.uniform(0.5, 1.0))
    tail *= ratio(-direct_to_reverberant_db) / float(np.sqrt(np.sum(tail * tail)))
    taps[first:] += tail
    return taps


def pinkish(rng: np.random.Generator, rms: float, *, slope: float = 0.5) -> NDArray:
    """Return noise to be repeated; its power falls as f^(−2·slope) from 20 Hz on.

    It is 21.8 s long (2²⁰ samples), so that a repetition is no pattern within a sweep.
    """
    count = 2**20
    spectrum = np.fft.rfft(rng.standard_normal(count))
    f_hz = np.fft.rfftfreq(count, 1.0 / RATE_HZ)
    spectrum *= np.maximum(f_hz, 20.0) ** -slope * (f_hz > 10.0)
    noise = np.fft.irfft(spectrum, count)
    return noise * rms / float(np.sqrt(np.mean(noise * noise)))


class Convolver:
    """Convolves block after block (uniformly partitioned overlap-save)."""

    def __init__(self, taps: NDArray, block: int) -> None:
        parts = max(1, -(-len(taps) // block))
        padded = np.zeros(parts * block)
        padded[: len(taps)] = taps
        self._block = block
        self._parts = np.fft.rfft(padded.reshape(parts, block), 2 * block, axis=1)
        self._spectra = np.zeros_like(self._parts)
        self._last = np.zeros(block)
        self._at = 0

    def next(self, x: NDArray) -> NDArray:
        spectrum = np.fft.rfft(np.concatenate([self._last, x]))
        self._last = x.copy()
        self._at = (self._at - 1) % len(self._parts)
        self._spectra[self._at] = spectrum
        order = (np.arange(len(self._parts)) + self._at) % len(self._parts)
        total = np.einsum("pf,pf->f", self._parts, self._spectra[order])
        return np.fft.irfft(total)[self._block :]


class Line:
    """A delay of any number of samples."""

    def __init__(self, samples: int, block: int) -> None:
        self._ring = np.zeros(samples + block)
        self._samples = samples
        self._at = 0

    def next(self, x: NDArray) -> NDArray:
        steps = np.arange(len(x))
        self._ring[(self._at + self._samples + steps) % len(self._ring)] = x
        out = self._ring[(self._at + steps) % len(self._ring)]
        self._at = (self._at + len(x)) % len(self._ring)
        return out


# Inputs ----------------------------------------------------------------------------------------


@dataclass
class Channel:
    """What an input channel delivers.

    Attributes
    ----------
    kind : "microphone", "other microphone" (hears the loudspeaker ``below_db`` lower, and the
        same room), "crosstalk" (the microphone's channel, ``below_db`` lower), "loop" (the
        output, ``below_db`` lower), "hum", "open" (its own noise), "silence".
    full_scale_spl_db : level of a sine that just fills a microphone's channel.
    own_spl_db : the microphone's own noise, dB SPL.
    line_dbfs : the channel's electrical noise, a microphone's too: below it no error of the gain
        shows in the background (hum: the hum's level, noise 40 dB below).
    treat : what a driver does to the signal, block by block, or None.
    """

    kind: str
    full_scale_spl_db: float = 120.0
    own_spl_db: float = 18.0
    below_db: float = 0.0
    line_dbfs: float = -112.0
    treat: Callable[[NDArray], NDArray] | None = None


class Suppressor:
    """Shuts below a threshold: to nothing, or by some decibels; opens within a block."""

    def __init__(self, threshold_dbfs: float, floor_db: float | None) -> None:
        self._threshold = threshold_dbfs
        self._floor = 0.0 if floor_db is None else ratio(floor_db)
        self._gain = self._floor

    def __call__(self, x: NDArray) -> NDArray:
        level_dbfs = db(float(np.sqrt(2.0 * np.mean(x * x))))
        is_open = level_dbfs > self._threshold
        wanted = 1.0 if is_open else self._floor
        share = 1.0 if is_open else 0.1
        after = self._gain + share * (wanted - self._gain)
        if not is_open and after < self._floor + 1e-3:
            after = self._floor
        gains = np.linspace(self._gain, after, len(x), endpoint=False)
        self._gain = after
        return gains * x


class AutomaticGain:
    """Brings the input slowly towards a level; ``calibrated_db`` is where calibration met it."""

    def __init__(
        self, *, target_dbfs: float, range_db: float, calibrated_db: float, seconds: float
    ) -> None:
        self._target = target_dbfs
        self._range = range_db
        self._calibrated = calibrated_db
        self._seconds = seconds
        self._gain_db = 0.0
        self.lowest_db = np.inf

    def __call__(self, x: NDArray) -> NDArray:
        level_dbfs = db(float(np.sqrt(2.0 * np.mean(x * x))))
        wanted = float(np.clip(self._target - level_dbfs, -self._range, self._range))
        share = 1.0 - np.exp(-len(x) / RATE_HZ / self._seconds)
        after = self._gain_db + share * (wanted - self._gain_db)
        gains_db = np.linspace(self._gain_db, after, len(x), endpoint=False)
        self._gain_db = after
        self.lowest_db = min(self.lowest_db, after - self._calibrated)
        return x * 10.0 ** ((gains_db - self._calibrated) / 20.0)
