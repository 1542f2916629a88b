"""The synchronised exponential sweep, with guard bands past both ends of the measured band."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from distsweep.units import FloatArray

GUARD_BELOW = 2.5
"""The sweep starts this factor below the band (chosen because a linear system then shows
harmonics below −120 dB at 20 Hz in an 8 s sweep; starting an octave below gave −94 dB)."""

FADED_IN_BELOW = 0.7
"""The fade-in ends at this fraction of the band's lower end (chosen with GUARD_BELOW)."""

GUARD_ABOVE = 1.195
"""The sweep runs this factor past the band, if half the rate allows it (chosen)."""

HIGHEST_OF_RATE = 0.498
"""The sweep never passes this fraction of the rate: its last cycles stay under half the rate
(chosen)."""

FADE_OUT_FROM = 0.67
"""The fade-out begins this far (on a log scale) between the band's end and the sweep's end
(chosen)."""

SMALLEST_GAP_CYCLES = 5.0
"""Least distance of the fundamental's impulse response from the second harmonic's, in cycles
of the lowest frequency (chosen because at 5 a second-order high-pass at 40 Hz still gives
every harmonic at 20 Hz within 0.15 dB, at 3.5 only within 0.4 dB)."""


@dataclass(frozen=True)
class Sweep:
    """An exponential sweep s(t) = g(f(t))·sin(2π·f(t)·L + φ₀), f(t) = start_hz·exp(t/L).

    The form without "−1", φ₀ = 0, keeps harmonic n equal to the sweep itself, earlier by L·ln n,
    with its phase in step (Novak, Lotton, Simon, JAES 63(10), 2015). With the "−1" (Farina, AES
    108th Conv., 2000) φ₀ = −2π·f₁·L, and harmonic n comes out turned by (n − 1)·φ₀.

    Attributes
    ----------
    rate_hz : sampling rate.
    start_hz, stop_hz : instantaneous frequency of the first sample, and just past the last.
    rate_constant_s : L, the time in which the frequency grows by the factor e.
    samples : length.
    full_from_hz, full_to_hz : between these the drive is not faded.
    reduce_drive_below_hz : corner under which the drive falls by 12 dB/octave, or None.
    phase_rad : φ₀; 0 for every sweep that is designed here.
    """

    rate_hz: int
    start_hz: float
    stop_hz: float
    rate_constant_s: float
    samples: int
    full_from_hz: float
    full_to_hz: float
    reduce_drive_below_hz: float | None = None
    phase_rad: float = 0.0

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.samples / self.rate_hz

    def at_rate(self, rate_hz: int) -> Sweep:
        """Return the same sweep as sampled at another rate; what lies above half of it is lost."""
        if rate_hz == self.rate_hz:
            return self
        return replace(self, rate_hz=rate_hz, samples=round(self.duration_s * rate_hz))

    def as_recorded(self, scale: float) -> Sweep:
        """Return the sweep as a recorder takes it down whose clock runs fast by ``scale``.

        s(t/scale) is the same kind of sweep, with L·scale and every frequency over scale.
        """
        if scale == 1.0:
            return self
        corner_hz = self.reduce_drive_below_hz
        return replace(
            self,
            start_hz=self.start_hz / scale,
            stop_hz=self.stop_hz / scale,
            rate_constant_s=self.rate_constant_s * scale,
            samples=round(self.samples * scale),
            full_from_hz=self.full_from_hz / scale,
            full_to_hz=self.full_to_hz / scale,
            reduce_drive_below_hz=None if corner_hz is None else corner_hz / scale,
        )

    def time_of_s(self, frequency_hz: FloatArray | float) -> FloatArray:
        """Return the time after the sweep's start at which it passes a frequency."""
        return np.asarray(self.rate_constant_s * np.log(np.asarray(frequency_hz) / self.start_hz))

    def frequency_at_hz(self, time_s: FloatArray | float) -> FloatArray:
        """Return the frequency that the sweep passes at a time after its start."""
        return np.asarray(self.start_hz * np.exp(np.asarray(time_s) / self.rate_constant_s))

    def drive_ratio(self, frequency_hz: FloatArray) -> FloatArray:
        """Drive at a frequency over the drive above the corner: 1 where it is not reduced.

        The second-order high-pass magnitude 1/sqrt(1 + (corner/f)⁴).
        """
        if self.reduce_drive_below_hz is None:
            return np.ones_like(frequency_hz)
        return np.asarray(1.0 / np.sqrt(1.0 + (self.reduce_drive_below_hz / frequency_hz) ** 4))

    def waveform(self) -> FloatArray:
        """Return the sweep at peak amplitude 1, shape ``(samples,)``."""
        time_s = np.arange(self.samples) / self.rate_hz
        frequency_hz = self.frequency_at_hz(time_s)
        rise, fall = (
            _smooth_step(np.log(passed) / math.log(whole)) if whole > 1.0 else 1.0
            for passed, whole in (
                (frequency_hz / self.start_hz, self.full_from_hz / self.start_hz),
                (self.stop_hz / frequency_hz, self.stop_hz / self.full_to_hz),
            )
        )
        phase = 2.0 * np.pi * frequency_hz * self.rate_constant_s + self.phase_rad
        return np.asarray(np.sin(phase) * rise * fall * self.drive_ratio(frequency_hz))


def design_sweep(
    *,
    rate_hz: int,
    band_hz: tuple[float, float],
    sweep_s: float,
    reduce_drive_below_hz: float | None = None,
) -> Sweep:
    """Lay a sweep of ``sweep_s`` seconds, guard bands included, over a measured band."""
    low_hz, high_hz = band_hz
    start_hz = low_hz / GUARD_BELOW
    stop_hz = min(high_hz * GUARD_ABOVE, HIGHEST_OF_RATE * rate_hz)
    samples = round(sweep_s * rate_hz)
    return Sweep(
        rate_hz=rate_hz,
        start_hz=start_hz,
        stop_hz=stop_hz,
        rate_constant_s=samples / rate_hz / math.log(stop_hz / start_hz),
        samples=samples,
        full_from_hz=low_hz * FADED_IN_BELOW,
        full_to_hz=high_hz * (stop_hz / high_hz) ** FADE_OUT_FROM,
        reduce_drive_below_hz=reduce_drive_below_hz,
    )


def shortest_sweep_s(*, rate_hz: int, band_hz: tuple[float, float]) -> float:
    """Return the shortest sweep that still parts the orders at the band's lower end.

    Neighbouring orders n and n+1 stand L·ln((n+1)/n) apart. Counted in cycles of the
    frequency they radiate, n·f·L·ln((n+1)/n), that is least for the fundamental: f·L·ln 2.
    """
    one_second = design_sweep(rate_hz=rate_hz, band_hz=band_hz, sweep_s=1.0)
    gap_cycles = band_hz[0] * one_second.rate_constant_s * math.log(2.0)
    return math.ceil(10.0 * SMALLEST_GAP_CYCLES / gap_cycles) / 10.0


def _smooth_step(position: FloatArray) -> FloatArray:
    """Rise from 0 to 1 with three vanishing derivatives at both ends, over position 0…1."""
    u = np.clip(position, 0.0, 1.0)
    return np.asarray(u**4 * (35.0 - 84.0 * u + 70.0 * u**2 - 20.0 * u**3))
