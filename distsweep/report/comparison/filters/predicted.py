"""A loudspeaker without and with filters, in the form that a comparison's page is made from."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

from distsweep.comparison.filters.record import AtLevel, Curve, FilteredTake, WithFilters
from distsweep.comparison.record import Difference
from distsweep.report.comparison.compared import Compared, is_at
from distsweep.report.comparison.curves import FUNDAMENTAL, THD, difference_line, line_of
from distsweep.report.comparison.difference_tables import averaged
from distsweep.report.comparison.overlay import (
    DISTORTION,
    HEADROOM,
    RESPONSE,
    Drawn,
    Overlay,
    level_axis,
    short_name,
)
from distsweep.results import AXIS, Results
from distsweep.results.rung_curves import Curves
from distsweep.words import wording

HEADROOM_TO = "headroom to "
MOST_SETS = 4
"""More sets of filters than these are not drawn each: all together are (chosen: five lines, and as
many differences, are still told apart)."""


@dataclass(frozen=True)
class Predicted(Compared):
    """What filters do; the first source is the loudspeaker as it was measured."""

    found: WithFilters

    @property
    def is_many(self) -> bool:
        """Filters are no field of sources."""
        return False

    def of(self, quantity: str, position: str) -> list[Difference]:
        """Return the differences of a quantity at listening levels."""
        return [one for one in super().of(quantity, position) if one.spl_db is not None]

    def over_thirds(self, difference: Difference) -> Difference | None:
        """Return no averages: the prediction is made at single frequencies."""
        return None

    @cached_property
    def takes(self) -> list[FilteredTake]:
        """The positions, the one that levels are quoted at first."""
        return sorted(self.found.takes, key=lambda take: take.position != AXIS)

    @cached_property
    def drawn(self) -> list[int]:
        """Sources that are drawn: without filters, and as many sets as can be told apart."""
        sets = range(1, len(self.comparison.sources))
        return [0, *(sets if len(sets) <= MOST_SETS else sets[-1:])]


def predicted(found: WithFilters, results: Results) -> Predicted:
    """Return a prediction with the results that it was made from."""
    return Predicted(found.comparison, [results] * len(found.comparison.sources), found)


def overlay_at_levels(what: Predicted, take: FilteredTake, quantity: str) -> Overlay | None:
    """Return a quantity without and with filters at the listening levels that are shown.

    ``quantity`` is "fundamental", "thd", "h2" …, or "headroom to " a limit. None where nothing is
    known.
    """
    levels = what.shown_levels(quantity, take.position)
    lines = [one for rank, level in enumerate(levels)
             for one in _lines(what, take, quantity, level, rank)]  # fmt: skip
    differences = [one for rank, level in enumerate(levels)
                   for one in _differences(what, take, quantity, level, rank)]  # fmt: skip
    if not lines or not differences:
        return None
    kind = {FUNDAMENTAL: RESPONSE}.get(quantity, DISTORTION)
    kind = HEADROOM if quantity.startswith(HEADROOM_TO) else kind
    unit = "dB SPL" if take.level_unit == "dB SPL" else "dBFS"
    values_name = {
        RESPONSE: level_axis(unit),
        HEADROOM: "Headroom, dB",
    }.get(kind, f"{short_name(quantity)}, dB re fundamental")
    shown = wording.listed([wording.plain(level) for level in levels])
    return Overlay(
        f"{short_name(quantity)} at the same listening level, {wording.with_unit(shown, unit)}",
        kind, what.names, values_name,
        "With filters less without" + (", thirds of an octave" if kind == DISTORTION else ""),
        lines, differences, levels, unit,
        loudest=f"at the same listening level, {_name(take, levels[0])}",
    )  # fmt: skip


def _lines(
    what: Predicted, take: FilteredTake, quantity: str, level: float, rank: int
) -> Iterator[Drawn]:
    for source in what.drawn:
        at = at_level(take, max(source, 1), level)
        curve = None if at is None else _curve(at, quantity, filtered=source > 0)
        if curve is not None:
            line = line_of(Curves(curve.values, curve.low, curve.high))
            name = what.names[source] + _at(what, take, quantity, level)
            yield Drawn(f"source-{source}-{rank}", name, source, take.frequency_hz, line, rank)


def _differences(
    what: Predicted, take: FilteredTake, quantity: str, level: float, rank: int
) -> Iterator[Drawn]:
    for one in what.of(quantity, take.position):
        if one.source in what.drawn and is_at(one, level):
            only = len(what.drawn) == 2
            less = "Difference" if only else f"{what.names[one.source]} less without"
            name = less + _at(what, take, quantity, level)
            is_distortion = quantity != FUNDAMENTAL and not quantity.startswith(HEADROOM_TO)
            drawn = averaged(one) if is_distortion else one
            yield Drawn(f"less-{one.source}-{rank}", name, one.source, drawn.frequency_hz,
                        difference_line(drawn, pale=is_distortion), rank)  # fmt: skip


def at_level(take: FilteredTake, source: int, level_db: float) -> AtLevel | None:
    """Return what a set of filters does at a listening level; ``source`` counts from 1."""
    found = take.filtered[source - 1].at_levels
    return next((at for at in found if abs(at.level_db - level_db) < 0.05), None)


def _curve(at: AtLevel, quantity: str, *, filtered: bool) -> Curve | None:
    if quantity == FUNDAMENTAL:
        return at.filtered_fundamental_db if filtered else at.fundamental_db
    if quantity == THD:
        return at.filtered_thd_db if filtered else at.thd_db
    if quantity.startswith(HEADROOM_TO):
        limit = quantity.removeprefix(HEADROOM_TO)
        room = next((one for one in at.headroom if one.limit == limit), None)
        return None if room is None else room.filtered_db if filtered else room.without_db
    orders = at.filtered_harmonics if filtered else at.harmonics
    return orders.get(int(quantity[1:]))


def _at(what: Predicted, take: FilteredTake, quantity: str, level: float) -> str:
    """Return what a legend says of a curve's level; nothing where all share it."""
    if len(what.shown_levels(quantity, take.position)) < 2:
        return ""
    return f", {_name(take, level)}"


def _name(take: FilteredTake, level: float) -> str:
    unit = "dB SPL" if take.level_unit == "dB SPL" else "dBFS"
    return wording.with_unit(wording.plain(level), unit)
