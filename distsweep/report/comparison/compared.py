"""What a comparison's page is made from: the comparison, its sources, and what they are called."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from distsweep.comparison.differences import Doubts, ThirdDifferences
from distsweep.comparison.level_doubt import compared_ladder, level_doubt_db
from distsweep.comparison.placed import PlaceDoubt, of_one_placement, reproducibility_at
from distsweep.comparison.record import BAND, DRIVE, Comparison, Difference
from distsweep.results import AXIS, SAME_DRIVE_DB, Results, Take
from distsweep.words import wording

MANY = 10
"""From so many sources on they are shown as a field with its median, ranks and spread (issue: ten
or more)."""

THIRDS_AT_MOST = 45
"""A difference of so few points is one over thirds of an octave already (five decades have 50;
chosen: below any sweep's own grid)."""

_LONGEST_NAME = 28  # letters: chosen, so that a name fits a button of the legend


@dataclass(frozen=True)
class Compared:
    """A comparison with its sources, the first of which is the reference."""

    comparison: Comparison
    sources: Sequence[Results]

    @cached_property
    def names(self) -> list[str]:
        """Names of the sources, short enough for a legend, all different."""
        return short_names([source.name for source in self.comparison.sources])

    @property
    def is_many(self) -> bool:
        """Whether sources are shown as a field."""
        return len(self.sources) >= MANY

    @cached_property
    def positions(self) -> list[str]:
        """Positions that differences are of, the one that levels are quoted at first."""
        found = list(dict.fromkeys(one.position for one in self.comparison.differences))
        return sorted(found, key=lambda position: position != AXIS)

    def of(self, quantity: str, position: str) -> list[Difference]:
        """Return the differences of a quantity at a position."""
        return [
            one
            for one in self.comparison.differences
            if (one.quantity, one.position) == (quantity, position)
        ]

    def orders(self, position: str) -> list[int]:
        """Return the orders of harmonics that are compared at a position, rising."""
        named = {one.quantity for one in self.comparison.differences if one.position == position}
        return sorted(int(q[1:]) for q in named if q[:1] == "h" and q[1:].isdecimal())

    def levels(self, quantity: str, position: str) -> list[float]:
        """Return the levels at which a quantity is compared, rising; none where it has none."""
        found = (level_of(one) for one in self.of(quantity, position))
        rising = sorted(level for level in found if level is not None)
        return [
            level
            for index, level in enumerate(rising)
            if not index or level - rising[index - 1] > SAME_DRIVE_DB
        ]

    def over_thirds(self, difference: Difference) -> Difference | None:
        """Return a difference over thirds of an octave; None where a side holds no averages."""
        level = level_of(difference)
        if difference.frequency_hz.size <= THIRDS_AT_MOST:
            return difference
        key = difference.position, difference.source
        if key not in self._thirds:
            self._thirds[key] = self._third_differences(*key)
        thirds = self._thirds[key]
        if thirds is None or level is None or difference.quantity == "gain change":
            return None
        return thirds.at(difference.quantity, difference.aligned, level)

    def _third_differences(self, position: str, source: int) -> ThirdDifferences | None:
        first, other = self.ladder(0, position), self.ladder(source, position)
        if first is None or other is None:
            return None
        pair = self.sources[0], self.sources[source]
        doubts = Doubts.of(
            first, other, level_doubt_db(*pair, position), place=PlaceDoubt.between(*pair, position)
        )
        first, other = (
            of_one_placement(take, reproducibility_at(results, position))
            for take, results in zip((first, other), pair, strict=True)
        )
        return ThirdDifferences(first, other, source, doubts)

    def ladder(self, source: int, position: str) -> Take | None:
        """Return a source's ladder at a position, None without one.

        Its levels are those that it is compared by: as the first source's distance would have them.
        """
        key = source, position
        if key not in self._ladders:
            self._ladders[key] = compared_ladder(self.sources[0], self.sources[source], position)
        return self._ladders[key]

    @cached_property
    def _ladders(self) -> dict[tuple[int, str], Take | None]:
        return {}

    @cached_property
    def _thirds(self) -> dict[tuple[str, int], ThirdDifferences | None]:
        return {}

    def shown_levels(self, quantity: str, position: str) -> list[float]:
        """Return the loudest of the levels, and of two or three sources a middle one, too."""
        levels = self.levels(quantity, position)
        if len(levels) < 3 or len(self.sources) > 3:
            return levels[-1:]
        return [levels[-1], levels[(len(levels) - 1) // 2]]


def level_of(difference: Difference) -> float | None:
    """Return the drive, or the SPL, that is equal on both sides."""
    return difference.spl_db if difference.drive_dbfs is None else difference.drive_dbfs


def is_at(difference: Difference, level: float | None) -> bool:
    """Tell whether a difference is one at a level; None: of a quantity that has none."""
    own = level_of(difference)
    if own is None or level is None:
        return own is None and level is None
    return abs(own - level) <= SAME_DRIVE_DB


def level_name(aligned: str, level: float) -> str:
    """Name a level, "−16 dBFS" or "85 dB SPL"."""
    if aligned == DRIVE:
        return wording.drive(level)
    return wording.with_unit(wording.plain(level), "dB SPL")


def level_words(aligned: str, levels: Sequence[float]) -> str:
    """Say what is equal, "at equal drive, −10 and −22 dBFS"."""
    equal = {DRIVE: "at equal drive", BAND: "at equal level over the level band"}.get(
        aligned, "at equal level at each frequency"
    )
    if not levels:
        return equal
    numbers = [wording.plain(level) for level in levels[:-1]]
    return f"{equal}, {wording.listed([*numbers, level_name(aligned, levels[-1])])}"


def short_names(names: Sequence[str]) -> list[str]:
    """Return names cut to what fits a legend; those that were alike then get a number before."""
    bare = [" ".join(name.split()) or "unnamed" for name in names]
    cut = [
        name if len(name) <= _LONGEST_NAME else f"{name[: _LONGEST_NAME - 1].rstrip()}…"
        for name in bare
    ]
    return [
        name if cut.count(name) == 1 else f"{index}: {name}"[: _LONGEST_NAME + 4]
        for index, name in enumerate(cut, start=1)
    ]
