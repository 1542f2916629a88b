"""The marker: a short falling chirp that shows where a stimulus starts and ends."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from distsweep.units import FloatArray

HIGHEST_HZ = 3000.0
"""Highest frequency at which the marker starts (chosen: every driver of a small
loudspeaker radiates something between 375 Hz and 3 kHz)."""

LEAST_TIME_BANDWIDTH = 600.0
"""Bandwidth times length (chosen: a chirp then stands 28 dB above white noise of its own
power after correlation)."""


@dataclass(frozen=True)
class Marker:
    """A falling exponential chirp with a rounded envelope; it is unlike any part of a sweep."""

    rate_hz: int
    start_hz: float
    stop_hz: float
    samples: int
    level_dbfs: float

    def waveform(self, *, rate_hz: float | None = None) -> FloatArray:
        """Return the chirp at peak amplitude 1, at its own rate or sampled at another."""
        rate_hz = self.rate_hz if rate_hz is None else rate_hz
        duration_s = self.samples / self.rate_hz
        time_s = np.arange(int(duration_s * rate_hz)) / rate_hz
        decline = math.log(self.stop_hz / self.start_hz) / duration_s
        phase = 2.0 * np.pi * self.start_hz * np.expm1(decline * time_s) / decline
        fade = np.minimum(time_s, duration_s - time_s) / (0.1 * duration_s)
        envelope = np.sin(0.5 * np.pi * np.clip(fade, 0.0, 1.0)) ** 2
        return np.asarray(np.sin(phase) * envelope)


def design_marker(*, rate_hz: int, band_hz: tuple[float, float], level_dbfs: float) -> Marker:
    """Choose a chirp inside the measured band, long enough to stand out of noise."""
    start_hz = min(HIGHEST_HZ, 0.9 * band_hz[1])
    stop_hz = max(start_hz / 8.0, band_hz[0])
    duration_s = max(0.4, LEAST_TIME_BANDWIDTH / (start_hz - stop_hz))
    return Marker(
        rate_hz=rate_hz,
        start_hz=start_hz,
        stop_hz=stop_hz,
        samples=round(duration_s * rate_hz),
        level_dbfs=level_dbfs,
    )
