"""Wide CSV tables for a spreadsheet: frequency down, levels across, one table a quantity.

The first column is the frequency. Then come the values, a column a level, side by side, so that a
chart takes the first columns as they stand; then the low ends of their 95 % intervals in the same
order, then the high ends. A value stands only where it is reliable (known within 1.5 dB, not
clipped), so that a chart shows no noise. The ends stand wherever they are known: a low end that is
empty beside a high end says "at most". What was clipped has neither.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.report.csv_text import Column, as_wide_csv, percent_or_nothing
from distsweep.report.reliability import only
from distsweep.units import BoolArray, FloatArray

PERCENT_DECIMALS = 5
"""Of values in percent, as −140 dB is 0.00001 % (chosen: the lowest floors of the method)."""


@dataclass(frozen=True)
class WideCurve:
    """A quantity at one level, arrays ``(F,)`` or of length 0 where there is nothing.

    ``level`` names the level in headings; ``clipped`` tells where the recording may be clipped.
    """

    level: str
    value: FloatArray
    low: FloatArray
    high: FloatArray
    reliable: BoolArray
    clipped: BoolArray

    def in_percent(self) -> WideCurve:
        """Return the same of a level re the fundamental in percent."""
        value, low, high = map(percent_or_nothing, (self.value, self.low, self.high))
        return dataclasses.replace(self, value=value, low=low, high=high)


def wide_table(
    frequency_hz: FloatArray, quantity: str, curves: Sequence[WideCurve], *, decimals: int = 2
) -> str:
    """Return the text of a quantity's table, ``quantity`` with its unit as headings name it."""
    missing = np.full(frequency_hz.shape, np.nan)
    columns = [Column("Frequency Hz", frequency_hz, 3)]
    for curve in curves:
        known = only(curve.value, curve.reliable) if curve.value.size else missing
        columns.append(Column(f"{quantity} at {curve.level}", known, decimals))
    for end, name in (("low", "low end"), ("high", "high end")):
        each: list[FloatArray] = [getattr(curve, end) for curve in curves]
        if not any(values.size for values in each):
            continue  # results of earlier versions hold no intervals
        for curve, values in zip(curves, each, strict=True):
            spared = curve.reliable | ~curve.clipped
            ends = only(values, spared) if values.size else missing
            columns.append(Column(f"{quantity}, {name}, at {curve.level}", ends, decimals))
    return as_wide_csv(columns)


def level_heading(drive_dbfs: float, spl_db: float | None = None, *, clipped: bool = False) -> str:
    """Name a level by its drive, with its SPL where it has one: "-10 dBFS (90.1 dB SPL)"."""
    more = [] if spl_db is None or not np.isfinite(spl_db) else [f"{spl_db:.1f} dB SPL"]
    more += ["clipped"] if clipped else []
    return f"{drive_dbfs:.6g} dBFS" + (f" ({', '.join(more)})" if more else "")
