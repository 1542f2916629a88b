"""Energy above the highest separated order: what rattles, crackles and bottoms out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from distsweep.analysis.noise.background import NoiseSpectrum
from distsweep.analysis.sweep.deconvolution import Deconvolver
from distsweep.analysis.sweep.side_by_side import side_by_side
from distsweep.fast_length import fast_length
from distsweep.units import FloatArray

FRAME_S = 0.085
"""Length of the frames (chosen: above the tenth order of 20 Hz the window has then
fallen by more than 90 dB from the fundamental)."""

BLACKMAN_HARRIS = (0.35875, 0.48829, 0.14128, 0.01168)
"""Four-term window of −92 dB side lobes (Harris, Proc. IEEE 66(1), 1978)."""

FRAMES_TOGETHER = 16
"""So many frames are transformed at once (chosen: they stay in a processor's cache)."""


class HighOrders:
    """Short-time spectra of the recorded sweep, summed above (order + ½)·f.

    The value is the amplitude of one sine that has the summed energy, in the recording's
    full scale; divided by the fundamental it is comparable with a harmonic's level.
    """

    def __init__(
        self,
        deconvolver: Deconvolver,
        grid: FloatArray,
        *,
        order: int,
        upper_hz: float,
        scale: float,
    ) -> None:
        """Lay the frames out for a grid of excitation frequencies, shape ``(F,)``.

        ``upper_hz`` is the measured band's end, ``scale`` recorded samples per played one.
        """
        self._rate_hz = deconvolver.rate_hz
        self._length = fast_length(int(FRAME_S * self._rate_hz))
        self._length += self._length % 2  # two hops make a frame
        self._hop = self._length // 2
        self._edge_hz = (order + 0.5) * grid / scale
        self._upper_hz = upper_hz / scale
        self._held = self._edge_hz < self._upper_hz
        passed_s = deconvolver.rate_constant_s * np.log(grid / scale / deconvolver.start_hz)
        self._frame = np.clip((passed_s * self._rate_hz - self._length / 2) / self._hop, 0.0, None)
        angle = 2.0 * np.pi * np.arange(self._length) / self._length
        a0, a1, a2, a3 = BLACKMAN_HARRIS
        self._window = a0 - a1 * np.cos(angle) + a2 * np.cos(2 * angle) - a3 * np.cos(3 * angle)

    def amplitude(self, signals: Sequence[FloatArray]) -> FloatArray:
        """Return the amplitude above the highest order, shape ``(R, F)``; NaN above the band."""
        result = np.full((len(signals), len(self._edge_hz)), np.nan)
        if not np.any(self._held):
            return result
        place = self._frame[self._held]
        lower = place.astype(int)
        frames = int(lower[-1]) + 2
        edge = self._edge_hz[self._held] * self._length / self._rate_hz
        top = int(self._upper_hz * self._length / self._rate_hz)
        first = np.minimum(np.ceil(edge).astype(int), top)
        blend = place - lower

        def one(row: int) -> None:
            above = self._power_above(signals[row], frames, top)
            power = (1.0 - blend) * above[lower, first] + blend * above[lower + 1, first]
            result[row, self._held] = np.sqrt(np.maximum(power, 0.0))

        side_by_side(one, range(len(signals)))
        return result

    def _power_above(self, signal: FloatArray, frames: int, top: int) -> FloatArray:
        """Return, per frame, the squared amplitude summed from each bin up to the band's end."""
        needed = (frames + 1) * self._hop
        padded = np.zeros(needed)
        padded[: min(needed, len(signal))] = signal[:needed]
        framed = np.lib.stride_tricks.sliding_window_view(padded, self._length)[:: self._hop]
        above = np.empty((frames, top + 1))
        # One sine of amplitude A gives the sum A²/4·N·Σw² over its bins.
        scaling = 4.0 / (self._length * np.sum(self._window**2))
        for first in range(0, frames, FRAMES_TOGETHER):
            some = slice(first, first + FRAMES_TOGETHER)
            spectra = np.fft.rfft(framed[some] * self._window, axis=1)[:, : top + 1]
            power = (spectra.real**2 + spectra.imag**2) * scaling
            above[some] = np.cumsum(power[:, ::-1], axis=1)[:, ::-1]
        return above

    def floor(self, noise: NoiseSpectrum | None) -> FloatArray:
        """Return what the background alone gives, shape ``(F,)``; NaN if it is not known."""
        result = np.full(len(self._edge_hz), np.nan)
        if noise is None:
            return result
        running = np.concatenate([[0.0], np.cumsum(noise.density)]) * noise.bin_hz
        edges_hz = (np.arange(len(running)) - 0.5) * noise.bin_hz
        mean_square = np.interp(self._upper_hz, edges_hz, running) - np.interp(
            self._edge_hz[self._held], edges_hz, running
        )
        result[self._held] = np.sqrt(2.0 * np.maximum(mean_square, 0.0))
        return result
