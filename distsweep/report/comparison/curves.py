"""A source's curve of a quantity at one drive or level, and its difference from the reference's.

Where a source played the very drive it is drawn as its own page draws that rung; at a level
between two rungs it is read as the comparison reads it.
"""

from __future__ import annotations

import numpy as np

from distsweep.analysis.noise.interval import is_reliable
from distsweep.comparison.aligned import fine_ladder
from distsweep.comparison.record import DRIVE, Difference
from distsweep.report import look
from distsweep.report.aspect import ResponseAxis, response_axis
from distsweep.report.lines import (
    Line,
    fundamental_line,
    gain_change_line,
    harmonic_line,
    thd_line,
)
from distsweep.report.reliability import Standing
from distsweep.results import SAME_DRIVE_DB, Take
from distsweep.results.rung_curves import Curves
from distsweep.units import BoolArray, FloatArray

FUNDAMENTAL, THD, GAIN_CHANGE, CLEAN_LEVEL = "fundamental", "thd", "gain change", "clean level"
"""Quantities of a comparison's differences; a harmonic's is "h2", "h3" …; a clean level's has its
limits behind it."""


def source_line(take: Take, quantity: str, aligned: str, level: float) -> Line | None:
    """Return the curve of a source at a drive or level; None where it has no such curve."""
    rung = _rung_at(take, level) if aligned == DRIVE else None
    if rung is not None:
        return _line_of_rung(take, rung, quantity)
    ladder = None if quantity == GAIN_CHANGE else fine_ladder(take)
    if ladder is None:
        return None
    reading = ladder.read(aligned, level)
    named = {FUNDAMENTAL: reading.fundamental, THD: reading.thd}
    curves = named.get(quantity) or reading.harmonics.get(int(quantity[1:]))
    return None if curves is None else line_of(curves)


def difference_line(difference: Difference, *, pale: bool = False) -> Line:
    """Return a difference as a line, drawn where it is known within 1.5 dB.

    With ``pale`` it is drawn pale where it is known less well.
    """
    values, low, high = difference.difference_db, difference.low_db, difference.high_db
    nowhere = np.zeros(values.shape, dtype=bool)
    if not np.isfinite(high).any():  # files of version 1 hold no interval
        return Line(values, Standing(np.isfinite(values), nowhere))
    reliable = is_reliable(low, high) & np.isfinite(values)
    uncertain = np.isfinite(values) & np.isfinite(high - low) & ~reliable if pale else nowhere
    return Line(values, Standing(reliable, uncertain), low_db=low, high_db=high)


def _rung_at(take: Take, drive_dbfs: float) -> int | None:
    """Return the index of the rung of a drive that did not clip, None where none was played."""
    return next(
        (
            index
            for index, rung in enumerate(take.rungs)
            if abs(rung.drive_dbfs - drive_dbfs) <= SAME_DRIVE_DB and not rung.clipped
        ),
        None,
    )


def _line_of_rung(take: Take, index: int, quantity: str) -> Line | None:
    rung = take.rungs[index]
    if quantity == FUNDAMENTAL:
        return fundamental_line(take, index)
    if quantity == THD:
        return thd_line(take, rung)
    if quantity == GAIN_CHANGE:
        return None if take.compression is None else gain_change_line(take, index)
    order = int(quantity[1:])
    return harmonic_line(take, rung, order) if order in rung.harmonics else None


def line_of(curves: Curves) -> Line:
    """Return what is read at a level as a line."""
    reliable = is_reliable(curves.low, curves.high) & np.isfinite(curves.values)
    there = np.isfinite(curves.values) & np.isfinite(curves.low) & np.isfinite(curves.high)
    uncertain: BoolArray = there & ~reliable
    return Line(
        curves.values, Standing(reliable, uncertain), low_db=curves.low, high_db=curves.high
    )


def axis_of_levels(
    values: FloatArray, frequency_hz: FloatArray, *, height_in: float, unit: str
) -> ResponseAxis:
    """Return the axis of levels that holds all of some values, by the house style in dB SPL."""
    return response_axis(
        float(values.min()) if values.size else np.nan,
        float(values.max()) if values.size else np.nan,
        decade_in=look.decade_in(
            *look.frequency_limits(float(frequency_hz[0]), float(frequency_hz[-1]))
        ),
        height_in=height_in,
        fixed_db=look.style().response_db_spl if unit == "dB SPL" else None,
    )
