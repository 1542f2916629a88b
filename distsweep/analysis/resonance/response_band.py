"""A stretch of all takes' responses, and poles that pass through it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.units import ComplexArray, FloatArray, ratio_to_db

REACH_OCTAVES, POINTS = 0.4, 90
"""The response is looked at so far to either side, at so many frequencies (chosen: at 1 kHz they
are 6 Hz apart, and a mode of Q 60 is 17 Hz wide)."""

SMOOTH_OCTAVES, OWN_Q, OWN_ENERGY = 0.6, 3.0, 0.1
"""The direct sound is like itself over so many octaves, but for poles of this Q with so much of
its energy (chosen: equalisers and crossovers of Q 4 and ±4 dB have that much)."""

@dataclass(frozen=True)
class Mode:
    """A pole: its frequency and Q, and at every take ρ and the log ratio against none, ``(P,)``."""

    frequency_hz: float
    q: float
    ratios: ComplexArray
    log_ratios: FloatArray

    def factor(self, frequency_hz: FloatArray) -> ComplexArray:
        """Return 1 + ρT at every take, shape ``(P, F)``."""
        return 1.0 + self.ratios[:, None] * pole(frequency_hz, self.frequency_hz, self.q)

    @property
    def lifts_db(self) -> FloatArray:
        """The most that it lifts at every take: T runs on a circle about ½ through 0 and 1."""
        half = 0.5 * self.ratios
        return np.asarray(ratio_to_db(np.abs(1.0 + half) + np.abs(half)))

    def octaves_from(self, other: Mode) -> float:
        """Return how far another lies away."""
        return abs(math.log2(self.frequency_hz / other.frequency_hz))


def pole(
    frequency_hz: FloatArray, centre_hz: FloatArray | float, q: FloatArray | float
) -> ComplexArray:
    """Return T = 1/(1 + jQ(f/f₀ − f₀/f))."""
    return np.asarray(1.0 / (1.0 + 1j * q * (frequency_hz / centre_hz - centre_hz / frequency_hz)))


def smooth_covariance(
    frequency_hz: FloatArray, centre_hz: float, own_energy: float = OWN_ENERGY
) -> ComplexArray:
    """Return the covariance of what is smooth, shape ``(F, F)``, its power about 1."""
    octave = np.log2(frequency_hz)
    apart = (frequency_hz[:, None] - frequency_hz) / centre_hz
    direct = np.exp(-0.5 * ((octave[:, None] - octave) / SMOOTH_OCTAVES) ** 2)
    return np.asarray(direct * (1.0 + own_energy / (1.0 + 1j * OWN_Q * apart)))


@dataclass(frozen=True)
class Band:
    """A stretch of all takes' responses.

    Attributes
    ----------
    frequency_hz : shape ``(N,)``.
    values : responses, shape ``(P, N)``.
    whiteners : inverse of the Cholesky factor of the covariance without a mode, one a gain of the
        reflected power, shape ``(P, G, N, N)``.
    determinants : ln of the covariances', shape ``(P, G)``.
    """

    frequency_hz: FloatArray
    values: ComplexArray
    whiteners: ComplexArray
    determinants: FloatArray

    def without(self, modes: Sequence[Mode]) -> ComplexArray:
        """Return the values without some modes, each take's about 1."""
        factors = [mode.factor(self.frequency_hz) for mode in modes]
        values = self.values / (np.prod(factors, axis=0) if factors else 1.0)
        return np.asarray(values / np.sqrt(np.mean(np.abs(values) ** 2, axis=1, keepdims=True)))

    def best_gains(self, values: ComplexArray) -> tuple[list[ComplexArray], FloatArray]:
        """Return each take's whitener of the gain that suits best, and its ln likelihood."""
        white = (self.whiteners @ values[:, None, :, None])[..., 0]
        level = -POINTS * np.log(np.mean(np.abs(white) ** 2, axis=2)) - self.determinants
        best = np.argmax(level, axis=1)
        return [w[g] for w, g in zip(self.whiteners, best, strict=True)], np.max(level, axis=1)
