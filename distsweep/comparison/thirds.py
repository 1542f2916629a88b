"""Differences over thirds of an octave: what figures, tables and ranks go by where noise counts."""

from __future__ import annotations

from distsweep.comparison.aligned import Reading, third_ladders
from distsweep.comparison.beyond_doubt import difference_ends
from distsweep.comparison.differences import Doubts
from distsweep.comparison.record import DRIVE, EACH_FREQUENCY, Difference
from distsweep.results import Take


class ThirdDifferences:
    """Differences of one take's averages from those of the reference's take at the position."""

    def __init__(self, first: Take, other: Take, source: int, doubts: Doubts) -> None:
        """Read both ladders; ``source`` is the other's number, its levels as they are compared."""
        self._position, self._source, self._doubts = first.position, source, doubts
        self._ladders = third_ladders(first, other)
        self._reads: dict[tuple[str, float], list[Reading]] = {}

    def at(self, quantity: str, aligned: str, level: float) -> Difference | None:
        """Return "fundamental", "thd", "h2" … at a drive or level; None where there is none."""
        if self._ladders is None or (quantity == "fundamental" and aligned == EACH_FREQUENCY):
            return None
        if (aligned, level) not in self._reads:
            self._reads[aligned, level] = [one.read(aligned, level) for one in self._ladders]
        sides = self._reads[aligned, level]
        if quantity in ("fundamental", "thd"):
            first, other = (getattr(side, quantity) for side in sides)
        else:
            order = int(quantity[1:])
            if not all(order in side.harmonics for side in sides):
                return None
            first, other = (side.harmonics[order] for side in sides)
        ends = difference_ends(first, other, self._doubt_db(quantity))
        return Difference(
            quantity, self._position, self._ladders[0].frequency_hz,
            ends.values, ends.low, ends.high, source=self._source, aligned=aligned,
            drive_dbfs=level if aligned == DRIVE else None,
            spl_db=None if aligned == DRIVE else level,
        )  # fmt: skip

    def _doubt_db(self, quantity: str) -> float:
        if quantity == "fundamental":
            return self._doubts.level_db
        return self._doubts.of_order(2 if quantity == "thd" else int(quantity[1:]))
