"""Measuring a burst while it sounds: power and harmonics, a few milliseconds at a time."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from distsweep.capture.watch import HOP_S
from distsweep.stimulus.sidecar import PlayedBurst, StaircaseStimulus
from distsweep.units import FloatArray, db_to_ratio

BURST_SETTLES_S = 0.1
"""Beginning of a burst that does not count for its level, which is still building up (chosen)."""

BURST_LEAST_S = 0.3
"""Shortest burst that can be watched (chosen: onset, a measurement, and room for delays and
drift)."""

BURST_ENDS_S = 0.02
"""A measurement ends this long before its burst (chosen: clocks drift by 18 ms a minute at
most)."""

MEASURED_S, MEASURED_PERIODS = 0.25, 8.0
"""Length of a measurement, in seconds or periods, whichever is more; half a burst at most
(chosen)."""


class Meter:
    """Measures power and harmonics over a Hann window, hop by hop, so that no hop is long.

    Attributes
    ----------
    hops : length of a measurement.
    floor_power : squared amplitude that the background shows at each harmonic, ``(N,)``.
    """

    def __init__(
        self,
        stimulus: StaircaseStimulus,
        frequency_hz: float,
        *,
        hold_s: float,
        hop: int,
        quiet: FloatArray,
        correction_db: Callable[[FloatArray], FloatArray],
    ) -> None:
        """Prepare; parameters as ``BurstWatch``, ``hold_s`` the length of a burst."""
        recipe = stimulus.recipe
        wanted_s = max(MEASURED_S, MEASURED_PERIODS / frequency_hz)
        self.hops = round(min(0.5 * hold_s, wanted_s) / HOP_S)
        harmonics_hz = frequency_hz * np.arange(1.0, recipe.order + 1.0)
        harmonics_hz = harmonics_hz[harmonics_hz <= recipe.band_hz[1]]
        samples = self.hops * hop
        window = np.hanning(samples + 2)[1:-1]
        angle = 2.0 * np.pi / recipe.rate_hz * np.outer(np.arange(samples), harmonics_hz)
        scale = 2.0 / np.sum(window) * db_to_ratio(-correction_db(harmonics_hz))
        basis = np.concatenate([np.cos(angle), np.sin(angle)], axis=1)
        basis *= window[:, None] * np.tile(scale, 2)
        self._basis = basis.reshape(self.hops, hop, -1)
        self._sums = np.zeros(2 * len(harmonics_hz))
        self._energy = 0.0
        self._next = 0
        white = float(np.mean(quiet**2)) if len(quiet) else 0.0
        self.floor_power = scale**2 * white * float(np.sum(window**2))
        pieces = [quiet[i : i + samples] for i in range(0, len(quiet) - samples + 1, samples)]
        if pieces:
            measured = np.mean([_squares(piece @ basis) for piece in pieces], axis=0)
            self.floor_power = np.maximum(self.floor_power, measured)

    def take(self, hop: FloatArray, step: int) -> tuple[FloatArray, float] | None:
        """Take a hop; after the last, return the amplitudes ``(N,)`` and the mean square."""
        if step == 0:
            self._sums[:], self._energy, self._next = 0.0, 0.0, 0
        if step != self._next:
            return None  # a hop was passed over
        self._next += 1
        self._sums += hop @ self._basis[step]
        self._energy += float(np.dot(hop, hop))
        if self._next < self.hops:
            return None
        return np.sqrt(_squares(self._sums)), self._energy / (self.hops * len(hop))


def _squares(sums: FloatArray) -> FloatArray:
    """Return squared magnitudes of cosine and sine sums, ``(2N,)`` to ``(N,)``."""
    half = len(sums) // 2
    return np.asarray(sums[:half] ** 2 + sums[half:] ** 2)


class Span:
    """Places of one burst, in hops from the tone's start.

    Attributes
    ----------
    settled : it counts from here; ``half`` : its second half starts here.
    end : here it is over; ``measured`` : here its last measurement is.
    """

    def __init__(self, burst: PlayedBurst, tone_at: int, hop: int, measurement: int) -> None:
        """Find the places; ``tone_at`` in samples of the file, ``measurement`` in hops."""
        start = (burst.start_sample - tone_at) / hop
        self.burst = burst
        self.end = round(start + burst.samples / hop)
        self.settled = round(start + BURST_SETTLES_S / HOP_S)
        self.half = round(start + 0.5 * burst.samples / hop)
        self.measured = self.end - round(BURST_ENDS_S / HOP_S)
        self.window = slice(self.measured - measurement, self.measured)
        self._length = measurement

    def step(self, place: int) -> int | None:
        """Return which hop of a measurement a place is; None outside any.

        Measurements follow each other up to the last one; the first lies after the onset.
        """
        if not self.settled <= place < self.measured:
            return None
        step = (place - self.measured) % self._length
        return step if place - step >= self.settled else None
