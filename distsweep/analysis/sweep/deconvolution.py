"""From a recorded sweep to an impulse response in which every harmonic has its own place."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.sweep.side_by_side import side_by_side
from distsweep.fast_length import fast_length
from distsweep.stimulus.sweep import Sweep
from distsweep.units import ComplexArray, FloatArray

LOW_STEP = 16
"""How many times less often the low-rate copy of a response is sampled (chosen: at 48 kHz it holds
what lies below 1.5 kHz, where windows are long, for a sixteenth of the work)."""

ARRIVAL_SEARCH_S = 0.005
"""Time around the markers' place in which the direct sound is looked for (chosen: the same sound
path, and a crossover's delay of a few milliseconds)."""


@dataclass(frozen=True)
class Responses:
    """Impulse responses, a row each, over the times that hold the separated orders.

    Attributes
    ----------
    full : shape ``(R, S)``; sample ``origin`` is time zero.
    low : the same, low-passed and sampled LOW_STEP times less often, with ``low_origin``.
    rate_hz : rate of ``full``.
    """

    full: FloatArray
    origin: int
    low: FloatArray
    low_origin: int
    rate_hz: float

    def of_rows(self, rows: Sequence[int]) -> Responses:
        """Return the responses of some passes."""
        chosen = list(rows)
        return replace(self, full=self.full[chosen], low=self.low[chosen])

    def averaged(self, groups: Sequence[Sequence[int]]) -> Responses:
        """Return the means over groups of rows, a row each."""
        if [list(group) for group in groups] == [[row] for row in range(len(self.full))]:
            return self
        full, low = (
            np.array([np.mean(part[list(group)], axis=0) for group in groups])
            for part in (self.full, self.low)
        )
        return replace(self, full=full, low=low)


class Deconvolver:
    """The sweep's analytic inverse, for recordings of one length and one clock.

    The inverse spectrum is X̃(f) = 2·sqrt(f/L)·exp(−j2πfL(1 − ln(f/f₁)) + jπ/4) (stationary
    phase; Novak, Lotton, Simon, JAES 63(10), 2015). Harmonic n's impulse response then
    stands at −L·ln n, turned by (n − 1)·φ₀ where the sweep has a phase φ₀ of its own.

    With two clocks the sweep to give is ``Sweep.as_recorded``: a sweep recorded by a fast
    clock is again a synchronised exponential sweep. Deconvolving with that one takes the
    drift out exactly, and nothing has to be resampled.
    """

    def __init__(self, sweep: Sweep, *, samples: int, order: int) -> None:
        """Prepare for recordings of at most ``samples`` samples and ``order`` harmonics."""
        self.rate_hz = float(sweep.rate_hz)
        self.rate_constant_s = sweep.rate_constant_s
        self.start_hz = sweep.start_hz
        self.length = LOW_STEP * fast_length(-(-samples // LOW_STEP))
        self._low_after = (self.length - sweep.samples) // LOW_STEP
        # Orders that would stand before the sweep's start lie above the band everywhere.
        earliest_s = self.rate_constant_s * math.log(order + 1.0)
        self._low_before = min(
            math.ceil(earliest_s * self.rate_hz / LOW_STEP) + 1,
            self.length // LOW_STEP - self._low_after,
        )
        self.free_s = self._low_after * LOW_STEP / self.rate_hz - ARRIVAL_SEARCH_S
        """Length of the causal part, counted from the direct sound wherever it is found."""
        frequency_hz = np.arange(1.0, self.length // 2 + 1) * (self.rate_hz / self.length)
        self._inverse = np.zeros(self.length // 2 + 1, dtype=np.complex128)
        phase = frequency_hz * (np.log(frequency_hz / self.start_hz) - 1.0)
        phase *= 2.0 * np.pi * self.rate_constant_s
        self._inverse[1:] = np.exp(1j * (phase + 0.25 * np.pi - sweep.phase_rad))
        self._inverse[1:] *= self.inverse_gain(frequency_hz) / self.rate_hz

    def inverse_gain(self, frequency_hz: FloatArray) -> FloatArray:
        """Return |X̃|, in seconds: what the spectrum of a noise is weighted by."""
        return np.asarray(2.0 * np.sqrt(frequency_hz / self.rate_constant_s))

    def responses(
        self,
        rungs: list[list[FloatArray]],
        late: list[list[float]],
        each: Callable[[int, FloatArray], None] | None = None,
    ) -> Responses:
        """Return the impulse responses of all passes, those of a rung one after the other.

        Parameters
        ----------
        rungs : per rung its passes' signals, each of shape ``(samples,)``.
        late : per rung and pass, by how many samples (−0.5…0.5) the sweep starts late; it
            matters, and is taken out, only where a rung has several.
        each : called with a pass's number and its whole response, shape ``(length,)``, circular.

        Returns
        -------
        Amplitude of the recording (full scale 1) over that of the sweep, per sample: the
        discrete Fourier transform of a windowed part, without factor, is the response.
        """
        passes = [
            (signal, start if len(signals) > 1 else None)
            for signals, starts in zip(rungs, late, strict=True)
            for signal, start in zip(signals, starts, strict=True)
        ]
        low_span, span = self._low_before + self._low_after, LOW_STEP * self._low_before
        full = np.empty((len(passes), LOW_STEP * low_span))
        low = np.empty((len(passes), low_span))

        def one(row: int) -> None:
            spectrum = self._spectrum(*passes[row])
            half = self.length // LOW_STEP // 2
            low_response = np.fft.irfft(spectrum[: half + 1], self.length // LOW_STEP)
            low[row, : self._low_before] = low_response[-self._low_before :]
            low[row, self._low_before :] = low_response[: self._low_after]
            response = np.fft.irfft(spectrum, self.length)
            full[row, :span] = response[-span:]
            full[row, span:] = response[: LOW_STEP * self._low_after]
            if each is not None:
                each(row, response)

        side_by_side(one, range(len(passes)))
        return Responses(full, span, low, self._low_before, self.rate_hz)

    def _spectrum(self, signal: FloatArray, late_samples: float | None) -> ComplexArray:
        spectrum = np.fft.rfft(signal, self.length)
        if late_samples is not None:
            turn = 2j * np.pi / self.length * np.arange(len(spectrum))
            spectrum *= np.exp(turn * late_samples)
        spectrum *= self._inverse
        return np.asarray(spectrum)
