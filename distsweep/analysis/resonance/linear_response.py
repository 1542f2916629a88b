"""The complex linear response of a take, from its impulse response."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.analysis.sweep.harmonics import ImpulseResponse
from distsweep.units import ComplexArray, FloatArray

WINDOW_S = 0.25
"""So much of the impulse response counts, the last third of it ever less (chosen: a mode of Q 60
at 250 Hz falls by 19 dB in the first two thirds)."""


@dataclass(frozen=True)
class LinearResponse:
    """A spectrum from 0 Hz to half the sampling rate, its phase re the direct sound.

    Attributes
    ----------
    step_hz : from one value to the next.
    values : amplitude over that of the sweep, shape ``(K,)``.
    """

    step_hz: float
    values: ComplexArray

    def between(
        self, low_hz: float, high_hz: float, *, step_hz: float
    ) -> tuple[FloatArray, ComplexArray]:
        """Return frequencies and values, evenly spaced by about ``step_hz``."""
        stride = max(1, round(step_hz / self.step_hz))
        last = min(int(high_hz / self.step_hz) + 1, len(self.values))
        index = np.arange(max(1, round(low_hz / self.step_hz)), last, stride)
        return np.asarray(index * self.step_hz, dtype=float), self.values[index]


def linear_response(impulse: ImpulseResponse) -> LinearResponse:
    """Transform an impulse response behind a window."""
    kept = impulse.samples[: impulse.origin + int(WINDOW_S * impulse.rate_hz)].copy()
    fade = len(kept) // 3
    kept[len(kept) - fade :] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(fade) / fade)
    length = 1 << (2 * len(kept) - 1).bit_length()
    spectrum = np.fft.rfft(kept, length)
    step_hz = impulse.rate_hz / length
    turn = np.exp(2j * np.pi * np.arange(len(spectrum)) * (impulse.origin / length))
    return LinearResponse(step_hz, np.asarray(spectrum * turn))
