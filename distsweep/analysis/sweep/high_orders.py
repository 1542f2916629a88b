"""Energy above the highest separated order: what rattles, crackles and bottoms out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from distsweep.analysis.sweep.left_over import MomentMap
from distsweep.units import BoolArray, FloatArray

AVERAGED_S = 0.08
"""Time over which the energy is averaged (chosen: two periods of 25 Hz, so that a click each half
period gives a level, not a row of pulses)."""


class HighOrders:
    """What is left over above (order + ½)·f, as the amplitude of one sine of the same power.

    It is in the recording's full scale; divided by the fundamental it is comparable with a
    harmonic's level.
    """

    def __init__(self, layout: MomentMap, grid: FloatArray, *, order: int, upper_hz: float) -> None:
        """Prepare for a grid of excitation frequencies in the recorder's clock, shape ``(F,)``.

        ``upper_hz`` is the measured band's end there.
        """
        self._layout = layout
        self._held = (order + 0.5) * grid < upper_hz
        place = np.clip((order + 0.5) * grid, layout.edges_hz[0], layout.edges_hz[-1])
        edges = np.arange(float(len(layout.edges_hz)))
        self._edge = np.interp(place, layout.edges_hz, edges)
        moment = layout.moment_of(grid) / float(layout.time_s[1])
        self._moment = np.clip(np.rint(moment).astype(int), 0, len(layout.time_s) - 1)

    def amplitude(self, density: FloatArray, damaged: BoolArray) -> FloatArray:
        """Return the amplitude of each pass, shape ``(P, F)``; NaN above the band.

        Parameters
        ----------
        density : between the strips, shape ``(P, T, B)``.
        damaged : moments that don't count, shape ``(P, T)``; NaN where no other is near.
        """
        counted = ~damaged
        width = np.where(self._layout.cells > 0.0, np.diff(self._layout.edges_hz), 0.0)
        power = 2.0 * density * width * counted[:, :, None]
        # Summed from each band to the band's end, and over the moments around each.
        above = np.zeros((*power.shape[:2], power.shape[2] + 1))
        above[:, :, :-1] = np.cumsum(power[:, :, ::-1], axis=2)[:, :, ::-1]
        above, count = (self._around(part) for part in (above, counted[:, :, None].astype(float)))
        lower = np.minimum(self._edge.astype(int), power.shape[2] - 1)
        share = self._edge - lower
        summed = above[:, self._moment, lower] * (1.0 - share)
        summed += above[:, self._moment, lower + 1] * share
        moments = count[:, self._moment, 0]
        with np.errstate(invalid="ignore", divide="ignore"):
            amplitude = np.sqrt(np.where(moments > 0.5, summed / moments, np.nan))
        return np.asarray(np.where(self._held, amplitude, np.nan))

    def _around(self, values: FloatArray) -> FloatArray:
        """Return sums over the moments around each, along axis 1."""
        half = round(0.5 * AVERAGED_S / float(self._layout.time_s[1]))
        running = np.cumsum(values, axis=1)
        running = np.concatenate([np.zeros_like(running[:, :1]), running], axis=1)
        at = np.arange(values.shape[1])
        return np.asarray(
            running[:, np.minimum(at + half + 1, len(at))] - running[:, np.maximum(at - half, 0)]
        )

    def floor(self, background: FloatArray | None) -> FloatArray:
        """Return what the background alone gives, shape ``(F,)``; NaN if it is not known."""
        if background is None:
            return np.full(len(self._held), np.nan)
        everywhere = np.broadcast_to(background, (1, *self._layout.cells.shape))
        return np.asarray(self.amplitude(everywhere, np.zeros(everywhere.shape[:2], dtype=bool))[0])


def mean_of_passes(amplitudes: FloatArray, kept: Sequence[Sequence[int]]) -> FloatArray:
    """Return the root of each rung's mean power, shape ``(R, F)``; NaN where no pass is known."""
    rows = []
    for passes in kept:
        power = amplitudes[list(passes)] ** 2
        known = np.isfinite(power)
        with np.errstate(invalid="ignore"):
            mean = np.sum(np.where(known, power, 0.0), axis=0) / np.sum(known, axis=0)
        rows.append(np.sqrt(mean))
    return np.array(rows)
