"""From a recorded sweep to an impulse response in which every harmonic has its own place."""

from __future__ import annotations

import numpy as np
import scipy.fft

from distsweep.stimulus.sweep import Sweep
from distsweep.units import ComplexArray, FloatArray


class Deconvolver:
    """The sweep's analytic inverse, for recordings of one length and one clock.

    The inverse spectrum is X̃(f) = 2·sqrt(f/L)·exp(−j2πfL(1 − ln(f/f₁)) + jπ/4) (stationary
    phase; Novak, Lotton, Simon, JAES 63(10), 2015). Harmonic n's impulse response then
    stands at −L·ln n.

    With two clocks the sweep to give is ``Sweep.as_recorded``: a sweep recorded by a fast
    clock is again a synchronised exponential sweep. Deconvolving with that one takes the
    drift out exactly, and nothing has to be resampled.
    """

    def __init__(self, sweep: Sweep, *, samples: int) -> None:
        """Prepare the inverse for recordings of at most ``samples`` samples."""
        self.rate_hz = float(sweep.rate_hz)
        self.rate_constant_s = sweep.rate_constant_s
        self.start_hz = sweep.start_hz
        self.length = int(scipy.fft.next_fast_len(samples, real=True))
        self.free_s = (self.length - sweep.samples) / self.rate_hz
        """Length of the causal part: what follows belongs to orders below one."""
        frequency_hz = np.arange(1, self.length // 2 + 1) * (self.rate_hz / self.length)
        self._inverse = np.zeros(self.length // 2 + 1, dtype=complex)
        phase = frequency_hz * (np.log(frequency_hz / self.start_hz) - 1.0)
        phase *= 2.0 * np.pi * self.rate_constant_s
        self._inverse[1:] = np.exp(1j * (phase + 0.25 * np.pi))
        self._inverse[1:] *= self.inverse_gain(frequency_hz)

    def inverse_gain(self, frequency_hz: FloatArray) -> FloatArray:
        """Return |X̃|, in 1/s^½·s: what a white noise is weighted by."""
        return np.asarray(2.0 * np.sqrt(frequency_hz / self.rate_constant_s))

    def impulse_response(self, signal: FloatArray, *, late_samples: float = 0.0) -> FloatArray:
        """Return the impulse response, shape ``(length,)``, negative times at the end.

        Units: amplitude of the recording (full scale 1) over that of the sweep, per sample;
        the discrete Fourier transform of a windowed part, without factor, is the response.
        ``late_samples`` moves it earlier by a fraction of a sample.
        """
        spectrum = scipy.fft.rfft(signal, self.length)
        spectrum *= self._inverse
        if late_samples:
            spectrum *= self._advance(late_samples)
        response = scipy.fft.irfft(spectrum, self.length)
        response /= self.rate_hz
        return np.asarray(response)

    def _advance(self, samples: float) -> ComplexArray:
        turn = 2.0 * np.pi * samples / self.length
        return np.asarray(np.exp(1j * turn * np.arange(self.length // 2 + 1)))
