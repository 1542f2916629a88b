"""How a resonance's peak grows with level, and from which level on it shows."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.noise.certainty import RELIABLE_DB
from distsweep.analysis.resonance.heights import (
    Heights,
    OrderPeak,
    clearest,
    highest_near,
    tolerance_octaves,
)
from distsweep.results import GrowthPoint
from distsweep.units import db_to_ratio

ABOVE_FLOOR_DB = 10.0
"""Rungs closer to their floor are left out of the slope (chosen: less than CLEAR_DB, as every rung
is weighted by its noise, 2 dB here, and a faint peak has few rungs to draw a line through)."""


@dataclass(frozen=True)
class Growth:
    """Growth of one order's peak: points, slope, and the drive from which on it shows."""

    order: int
    points: list[GrowthPoint]
    slope_db_per_db: float | None
    appears_at_dbfs: float | None

    @property
    def mild_db_per_db(self) -> float:
        """Growth of a product's relative level while the nonlinearity is mild: order − 1."""
        return float(self.order - 1)

    @property
    def values(self) -> dict[str, float]:
        """What a reason on growth holds; of a slope that is known."""
        slope = {} if self.slope_db_per_db is None else {"growth_db_per_db": self.slope_db_per_db}
        return {"order": self.order, **slope, "mild_db_per_db": self.mild_db_per_db}


def growth_of(heights: Heights) -> Growth:
    """Follow one order's peak through the rungs: the one that most rungs show clearly.

    The level is that re the fundamental at the peak; while the nonlinearity is mild it grows
    by order − 1 dB per dB. The slope is that of a straight line through the rungs that stand
    clear of their floors; None for fewer than two. The peak appears at the lowest drive from
    which on every louder rung shows it. Where no harmonic has a peak there is nothing to follow.
    """
    if not heights.spikes:
        return Growth(1, [], None, None)
    curves, top = heights.curves, _followed(heights)
    column = int(np.flatnonzero(curves.orders == top.order)[0])
    tolerance = tolerance_octaves(heights.mode)
    points, shown = [], []
    for row, drive_dbfs in enumerate(curves.drive_dbfs):
        height, index = highest_near(
            curves, curves.relative.prominence_db[row, column], top.excitation_hz, tolerance
        )
        level = float(curves.relative.level_db[row, column, index])
        above = float(curves.above_floor_db[row, column, index])
        if math.isfinite(level):
            points.append(GrowthPoint(top.order, float(drive_dbfs), level, above, height))
        shown.append(any(s.row == row and s.order == top.order for s in heights.seen))
    clear = [p for p in points if p.above_floor_db >= ABOVE_FLOOR_DB]
    slope = None
    if len(clear) >= 2:
        drives = np.array([p.drive_dbfs for p in clear])
        # The noise of a level in dB goes as the floor over the value; past RELIABLE_DB other things
        # than noise, e.g. compression, are what bends the line.
        weights = db_to_ratio([min(p.above_floor_db, RELIABLE_DB) for p in clear])
        if np.ptp(drives) > 0.0:
            slope = float(np.polyfit(drives, [p.level_db for p in clear], 1, w=weights)[0])
    appears = None
    for row in reversed(range(len(shown))):
        if not shown[row]:
            break
        appears = float(curves.drive_dbfs[row])
    return Growth(top.order, points, slope, appears)


def _followed(heights: Heights) -> OrderPeak:
    """Choose the order with most rungs clear of the floor; of several the highest peak."""
    curves = heights.curves

    def clear_rungs(seen: OrderPeak) -> int:
        place = round(curves.place(seen.excitation_hz))
        above = curves.above_floor_db[:, curves.orders == seen.order, place]
        return int(np.sum(above >= ABOVE_FLOOR_DB))

    tops = [clearest(heights.seen, order) for order in heights.spike_db]
    return max(tops, key=lambda seen: (clear_rungs(seen), seen.prominence_db))
