"""A tone's amplitude against time, by quadrature demodulation over whole periods."""

from __future__ import annotations

import numpy as np

from distsweep.units import ComplexArray, FloatArray

BLOCK = 4096
"""The carrier is made once for so many samples and turned on from block to block (chosen: the
samples of a block lie in a processor's fastest memory)."""


class ToneTrack:
    """The complex amplitude of a tone of known frequency, averaged over any stretch.

    The signal is multiplied by exp(−jωt) and summed up once; the mean over a stretch is the
    difference of two sums. Over whole periods the double frequency, the harmonics and any
    offset vanish.
    """

    def __init__(self, signal: FloatArray, *, frequency_hz: float, rate_hz: float) -> None:
        """Demodulate ``signal``, shape ``(samples,)``; the frequency is in its own clock."""
        turn = -2j * np.pi * frequency_hz / rate_hz
        blocks = -(-len(signal) // BLOCK)
        padded = np.zeros(blocks * BLOCK)
        padded[: len(signal)] = signal
        carrier = np.exp(turn * np.arange(BLOCK))
        turned = np.exp(turn * BLOCK * np.arange(blocks))
        product = padded.reshape(blocks, BLOCK) * carrier
        product *= turned[:, None]
        self._sum = np.zeros(len(signal) + 1, dtype=complex)
        np.cumsum(product.reshape(-1)[: len(signal)], out=self._sum[1:])
        self.period = rate_hz / frequency_hz

    def amplitude(self, centre: FloatArray, width: float) -> ComplexArray:
        """Return the complex amplitude over windows ``width`` samples wide.

        ``centre`` is in samples of the signal (0 is the first sample's own instant), shape
        ``(W,)``; a window that reaches past the signal gives NaN.
        """
        # Sample i stands for the time from i − ½ to i + ½, its sum is complete at i + ½.
        low, high = centre - 0.5 * width + 0.5, centre + 0.5 * width + 0.5
        mean = (self._at(high) - self._at(low)) * (2.0 / width)
        outside = (low < 0.0) | (high > len(self._sum) - 1)
        return np.where(outside, np.nan, mean)

    def _at(self, place: FloatArray) -> ComplexArray:
        whole = np.clip(place.astype(int), 0, len(self._sum) - 2)
        share = place - whole
        return np.asarray((1.0 - share) * self._sum[whole] + share * self._sum[whole + 1])

    def width(self, least: float) -> float:
        """Return the length of the fewest whole periods that last ``least`` samples or more.

        Of that number and the next three, the one nearest to a whole number of samples is
        taken if the period is short: the sums are then exact at both ends.
        """
        fewest = max(1, int(np.ceil(least / self.period - 1e-6)))
        if self.period > 64.0:
            return fewest * self.period
        choices = self.period * np.arange(fewest, fewest + 4)
        return float(choices[np.argmin(np.abs(choices - np.round(choices)))])
