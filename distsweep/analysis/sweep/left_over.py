"""What a recording holds besides the separated harmonics, moment by moment and at each frequency.

Deconvolution only delays: what is recorded at the time t at the frequency F comes to stand at
τ = t − L·ln(F/f₁). So the short-time spectrum of a response is, sheared, that of the recording
itself, but with each order of the sweep drawn together into a narrow strip around τ = −L·ln n.
Between the strips there is what was not harmonic: the background, a room's decay, whatever knocked
or was cut out of the recording, and above the highest order what rattles.
"""

from __future__ import annotations

import math

import numpy as np

from distsweep.analysis.noise.background import NoiseSpectrum
from distsweep.analysis.sweep.deconvolution import Deconvolver
from distsweep.analysis.sweep.windows import CYCLES_AFTER, CYCLES_BEFORE
from distsweep.fast_length import fast_length
from distsweep.units import BoolArray, FloatArray, IntArray

FRAME_S = 0.02
"""Length of a short-time spectrum (chosen: the time to which damage is to be placed)."""

BAND_RATIO = 2.0 ** (1.0 / 12.0)
"""Upper over lower edge of the bands in which densities are averaged, where they hold several bins
(chosen: narrower than the distance of neighbouring orders up to the tenth)."""

BEYOND = 1.2, 1.5
"""How many times as far as its windows an order's strip reaches before and after (chosen: a window
leaves −20 dB of a room's decay, and of the sweep's own edges)."""

AROUND_S = 0.1
"""Time before and after the measured band's sweep that is looked at (chosen: half a window at a
few hundred hertz; what falls there is in the values' windows)."""

FRAMES_TOGETHER = 16
"""So many frames are transformed at once (chosen: they stay in a processor's cache)."""


class MomentMap:
    """The way from a response to densities at moments of its recording.

    Attributes
    ----------
    bin_hz : distance of the spectra's bins.
    time_s : middles of the frames, from a pass's first sample, shape ``(T,)``.
    edges_hz : edges of the bands, shape ``(B + 1,)``.
    cells : how many cells between the strips each band holds, shape ``(T, B)``; those above the
        highest order included, those below the fundamental not.
    above : which bands lie wholly above the highest order, shape ``(T, B)``.
    decaying : how many cells below the fundamental's strip each band holds, shape ``(T, B)``.
    """

    def __init__(
        self, deconvolver: Deconvolver, *, order: int, band_hz: tuple[float, float]
    ) -> None:
        """Lay the cells out for responses of the deconvolver's length, and a band of sweeps."""
        rate_hz = deconvolver.rate_hz
        self.rate_constant_s = deconvolver.rate_constant_s
        self._start_hz, self._length = deconvolver.start_hz, deconvolver.length
        self._frame = fast_length(int(FRAME_S * rate_hz))
        self._hop = self._frame // 2
        self._window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(self._frame) / self._frame)
        self.bin_hz = rate_hz / self._frame
        last = int(band_hz[1] / self.bin_hz)
        self._frequency_hz = np.arange(1.0, last + 1) * self.bin_hz
        self._delay_s = self.moment_of(self._frequency_hz)
        self.time_s = np.arange(self._length // self._hop) * (self._hop / rate_hz)
        self._frames = -(-self._length // self._hop)
        gain = deconvolver.inverse_gain(self._frequency_hz)
        self._scaling = 2.0 * rate_hz / (gain**2 * np.sum(self._window**2))
        self._starts = starts = self._band_starts()
        self.edges_hz = (np.append(starts, last) + 0.5) * self.bin_hz
        self._widths = widths = np.diff(np.append(starts, last))
        band = np.repeat(np.arange(len(starts)), widths)
        place = self._places(rate_hz)
        between, decay, above = self._regions(order)
        # A sound before or after the band, in the pause, wraps round to the other side.
        edges_s = self.moment_of(np.array(band_hz)) + np.array([-AROUND_S, AROUND_S])
        between[(self.time_s < edges_s[0]) | (self.time_s > edges_s[1])] = False
        self._between, self._decay = (_Region(part, place, band) for part in (between, decay))
        self.cells, self.decaying = self._between.count, self._decay.count
        self.above: BoolArray = _Region(above, place, band).count == widths

    @property
    def middle_hz(self) -> FloatArray:
        """Middle of each band, shape ``(B,)``."""
        return np.asarray(0.5 * (self.edges_hz[1:] + self.edges_hz[:-1]))

    def empty(self, passes: int) -> FloatArray:
        """Return room for one density of each pass, shape ``(passes, T, B)``."""
        return np.empty((passes, *self.cells.shape))

    def moment_of(self, frequency_hz: FloatArray) -> FloatArray:
        """Return when the sweep passes frequencies, in seconds."""
        return np.asarray(self.rate_constant_s * np.log(frequency_hz / self._start_hz))

    def passed_hz(self, time_s: float) -> float:
        """Return the frequency that the sweep passes at a time, its first one before it begins."""
        return self._start_hz * math.exp(max(time_s, 0.0) / self.rate_constant_s)

    def _places(self, rate_hz: float) -> IntArray:
        """Return which cell of a response's spectrogram holds a moment and a frequency."""
        place = (self.time_s[:, None] - self._delay_s) * rate_hz % self._length
        row = np.rint(place / self._hop).astype(np.int64) % self._frames
        return np.asarray(row * len(self._delay_s) + np.arange(len(self._delay_s)))

    def _regions(self, order: int) -> tuple[BoolArray, BoolArray, BoolArray]:
        """Tell which cells lie between strips, in the fundamental's decay, above the orders."""
        before_s, after_s = (
            cycles * beyond / self._frequency_hz + FRAME_S
            for cycles, beyond in zip((CYCLES_BEFORE, CYCLES_AFTER), BEYOND, strict=True)
        )
        since_s = self.time_s[:, None] - self._delay_s
        taken = np.zeros((len(self.time_s) + 1, len(self._delay_s)))
        columns = np.arange(len(self._delay_s))
        for n in range(2, order + 1):
            centre_s = self._delay_s - self.rate_constant_s * math.log(n)
            for sign, end_s in ((1.0, centre_s - before_s), (-1.0, centre_s + after_s)):
                at = np.clip(np.rint(end_s / self.time_s[1]), 0, len(self.time_s)).astype(int)
                np.add.at(taken, (at, columns), sign)
        free = np.cumsum(taken, axis=0)[:-1] < 0.5
        above = since_s < -self.rate_constant_s * math.log(order + 0.5)
        return free & (since_s < -before_s), since_s > after_s, free & above

    def _band_starts(self) -> IntArray:
        """Return the first bin of each band."""
        starts = [0]
        for index, frequency_hz in enumerate(self._frequency_hz):
            if frequency_hz >= self._frequency_hz[starts[-1]] * BAND_RATIO:
                starts.append(index)
        return np.array(starts)

    def strip_density(self, powers: FloatArray) -> FloatArray:
        """Return the density at a strip's middle, of squared responses at the bands' middles."""
        scaling = np.interp(self.middle_hz, self._frequency_hz, self._scaling)
        return np.asarray(powers * scaling)

    def background(self, noise: NoiseSpectrum) -> FloatArray:
        """Return the mean density that these frames show of a silence, shape ``(B,)``."""
        density = noise.mean_around(self._frequency_hz, np.full(1, self.bin_hz))
        # The power of a Hann window's transform, at its middle and one bin beside it.
        spread = np.convolve(np.pad(density, 1, mode="edge"), [1 / 6, 2 / 3, 1 / 6], mode="valid")
        return np.asarray(np.add.reduceat(spread, self._starts) / self._widths)

    def densities(self, response: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the mean density between the strips, and in the fundamental's decay.

        Parameters
        ----------
        response : circular, shape ``(length,)``; sample 0 is time zero.

        Returns
        -------
        Mean squares of full scale 1 per Hz, shape ``(T, B)`` each; 0 where a band has no cells.
        """
        half = self._frame // 2
        padded = np.concatenate([response[-half:], response, response[: self._frame]])
        framed = np.lib.stride_tricks.sliding_window_view(padded, self._frame)[:: self._hop]
        power = np.empty((self._frames, len(self._frequency_hz)))
        for first in range(0, self._frames, FRAMES_TOGETHER):
            some = slice(first, min(first + FRAMES_TOGETHER, self._frames))
            spectra = np.fft.rfft(framed[some] * self._window, axis=1)
            spectra = spectra[:, 1 : power.shape[1] + 1]
            squares = power[some]
            np.multiply(spectra.real, spectra.real, out=squares)
            squares += spectra.imag**2
            squares *= self._scaling
        return self._between.mean(power), self._decay.mean(power)


class _Region:
    """Cells of a spectrogram that belong to one region, and their means over bands.

    ``count`` is how many each moment and band holds, shape ``(T, B)``.
    """

    def __init__(self, inside: BoolArray, place: IntArray, band: IntArray) -> None:
        """Lay out the cells ``inside``, shape ``(T, F)``; ``place`` is where they are found."""
        self._cells = place[inside]
        shape = (len(inside), int(band[-1]) + 1)
        owner = (np.arange(shape[0])[:, None] * shape[1] + band)[inside]
        self._starts = np.flatnonzero(np.diff(owner, prepend=-1))
        self._owners = owner[self._starts]
        self.count = np.bincount(owner, minlength=shape[0] * shape[1]).reshape(shape).astype(float)

    def mean(self, power: FloatArray) -> FloatArray:
        """Return the means of a spectrogram over moments' bands, shape ``(T, B)``; 0 for none."""
        means = np.zeros(self.count.size)
        if len(self._starts):
            sums = np.add.reduceat(power.ravel()[self._cells], self._starts)
            means[self._owners] = sums / self.count.ravel()[self._owners]
        return means.reshape(self.count.shape)
