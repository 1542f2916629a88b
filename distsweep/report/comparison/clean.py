"""The highest clean levels of all sources in one axes, and their differences."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from distsweep.comparison.differences import clean_quantity
from distsweep.comparison.record import Difference
from distsweep.report.clean_level.levels import limit_words, shown
from distsweep.report.comparison.compared import Compared
from distsweep.report.comparison.curves import CLEAN_LEVEL, difference_line
from distsweep.report.comparison.overlay import (
    RESPONSE,
    Drawn,
    Overlay,
    less_name,
    less_name_of,
    level_axis,
    level_unit,
)
from distsweep.report.lines import Line
from distsweep.report.reliability import Standing
from distsweep.results import CleanLevel
from distsweep.units import BoolArray, FloatArray

Bounds = list[tuple[float, float, int]]


def clean_overlay(compared: Compared, position: str) -> Overlay | None:
    """Return clean levels by the strictest limits that are compared; None without any."""
    for clean in _of(compared, 0, position):
        quantity = clean_quantity(clean)
        differences = compared.of(quantity, position)
        sides = [
            (source, own)
            for source in range(len(compared.sources))
            for own in _of(compared, source, position)
            if clean_quantity(own) == quantity
        ]
        if differences and len(sides) > 1:
            names = compared.names
            return Overlay(
                title=f"Highest level within {limit_words(clean)}",
                kind=RESPONSE,
                names=names,
                values_name=level_axis(level_unit(compared, position)),
                below_name=less_name(names),
                lines=[_levels(names[source], source, own) for source, own in sides],
                differences=[_difference(names, one) for one in differences],
                unit=level_unit(compared, position),
            )
    return None


def _of(compared: Compared, source: int, position: str) -> list[CleanLevel]:
    take = compared.ladder(source, position)
    return [] if take is None else shown(take)


def _levels(name: str, source: int, clean: CleanLevel) -> Drawn:
    """Return a source's levels: reached ones as a line, others as what they are bounded by."""
    reached = np.isin(clean.state, ["reached", "bracketed"]) & np.isfinite(clean.level_db)
    line = Line(
        clean.level_db, Standing(reached, np.zeros_like(reached)),
        low_db=clean.low_db, high_db=clean.high_db,
    )  # fmt: skip
    bounds = list(_bounds(clean.frequency_hz, reached, clean.low_db, clean.high_db))
    return Drawn(f"source-{source}", name, source, clean.frequency_hz, line, bounds=bounds)


def _difference(names: list[str], one: Difference) -> Drawn:
    line = difference_line(one)
    bounds = list(_bounds(one.frequency_hz, line.standing.reliable, one.low_db, one.high_db))
    return Drawn(f"less-{one.source}", less_name_of(names, one.source), one.source,
                 one.frequency_hz, line, bounds=bounds)  # fmt: skip


def _bounds(
    frequency_hz: FloatArray, known: BoolArray, low_db: FloatArray, high_db: FloatArray
) -> Iterator[tuple[float, float, int]]:
    """Yield where one end only is known: the frequency, that end, and which it is."""
    for f, is_known, low, high in zip(frequency_hz, known, low_db, high_db, strict=True):
        if not is_known and np.isfinite(low) and not np.isfinite(high):
            yield float(f), float(low), 1
        if not is_known and np.isfinite(high) and not np.isfinite(low):
            yield float(f), float(high), -1


def quantities_at(compared: Compared, position: str) -> list[str]:
    """Return the clean levels that are compared at a position, each with its limits."""
    found = (one.quantity for one in compared.comparison.differences if one.position == position)
    return [q for q in dict.fromkeys(found) if q.partition(",")[0] == CLEAN_LEVEL]
