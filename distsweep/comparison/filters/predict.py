"""What a loudspeaker does behind filters, told from its measured ladder."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from distsweep.comparison.filters.as_comparison import as_comparison, less
from distsweep.comparison.filters.biquad import gain_db as gain_of
from distsweep.comparison.filters.ladder import MeasuredLadder
from distsweep.comparison.filters.levels import levels_for
from distsweep.comparison.filters.memory import heat_db, release_ms, still_down_db
from distsweep.comparison.filters.names import ALL, name_of
from distsweep.comparison.filters.notes import ladders_too_short, notes_of
from distsweep.comparison.filters.reading import checked
from distsweep.comparison.filters.record import (
    AtDrive,
    AtLevel,
    Curve,
    Filter,
    Filtered,
    FilteredTake,
    Headroom,
    Limit,
    WithFilters,
)
from distsweep.errors import InputError
from distsweep.flag_runs import runs_of
from distsweep.results import Results, first_take
from distsweep.units import BoolArray, FloatArray


def with_filters(
    results: Results,
    filters: Sequence[Filter | dict[str, Any]],
    *,
    levels_spl: Sequence[float] | None = None,
) -> WithFilters:
    """Tell what filters do to a loudspeaker's response, THD and headroom, from its ladder.

    Each filter is tried alone, and all of them together. A filter changes the drive that reaches
    the loudspeaker at each frequency by its gain there; the rest is read from the ladder, between
    the rungs that were played. Harmonics arise behind the filter, and are not filtered.

    Parameters
    ----------
    filters : as `read_filters` returns them, or dicts of the keys that a file's tables have.
    levels_spl : listening levels, means over the level band, in the take's unit (dB SPL, or dBFS
        where nothing is calibrated). None: those that the results state THD at; without such 85 dB
        SPL where it was played, else the level of the middle rung.

    Returns
    -------
    Every ladder of three rungs or more, the first complete one of a position.

    Raises
    ------
    InputError
        No filter is given, one cannot be, a level is no number, or no ladder can be read.

    Notes
    -----
    Everything is for single sines, one after the other: music drives a limiter with all of its
    frequencies at once, and has less headroom.
    """
    given = checked(filters)
    ladders, not_compared = _ladders(results)
    if not ladders:
        raise InputError(
            "no take is a ladder of three levels or more that did not clip: filters can't be tried"
        )
    takes = [_take(ladder, results, given, levels_spl) for ladder in ladders]
    return WithFilters(given, takes, as_comparison(results, given, takes, not_compared))


def _ladders(results: Results) -> tuple[list[MeasuredLadder], list[str]]:
    """Return the ladders that can be read, and sentences on those that cannot."""
    found, short = [], []
    for position in dict.fromkeys(take.position for take in results.takes if take.rungs):
        take = first_take([one for one in results.takes if one.rungs], position)
        assert take is not None
        ladder = MeasuredLadder.of(
            take,
            results.conditions.averaged_hz,
            held_ms=release_ms(results.takes, position),
        )
        if ladder is None:
            short.append(position)
        else:
            found.append(ladder)
    return found, [ladders_too_short(short)] if short else []


def _take(
    ladder: MeasuredLadder,
    results: Results,
    filters: Sequence[Filter],
    levels_spl: Sequence[float] | None,
) -> FilteredTake:
    take = ladder.take
    levels = levels_for(take, ladder, levels_spl)
    every = list(range(len(filters)))
    sets = [([one], name_of(filters[one])) for one in every]
    if len(filters) > 1:
        sets.append((every, ALL))
    return FilteredTake(
        position=take.position,
        stimulus=take.stimulus,
        level_unit=take.level_unit,
        frequency_hz=take.frequency_hz,
        limits=ladder.limits,
        filtered=[
            _filtered(ladder, results, [filters[i] for i in on], on, name, levels)
            for on, name in sets
        ],
    )


def _filtered(
    ladder: MeasuredLadder,
    results: Results,
    filters: Sequence[Filter],
    on: list[int],
    name: str,
    levels: Sequence[float],
) -> Filtered:
    take = ladder.take
    gain = gain_of(filters, take.frequency_hz)
    trial = Trial(
        ladder,
        gain,
        held_ms=release_ms(results.takes, take.position),
        heat_db=heat_db(take, results.takes, gain),
    )
    at_levels = [trial.at_level(level) for level in levels]
    return Filtered(
        name=name,
        filters=on,
        gain_db=gain,
        at_drives=[trial.at_drive(float(drive)) for drive in ladder.played.drives_dbfs],
        at_levels=at_levels,
        notes=notes_of(ladder, filters, at_levels, held_ms=trial.held_ms, heat_db=trial.heat_db),
    )


@dataclass(frozen=True)
class Trial:
    """One set of filters on one ladder."""

    ladder: MeasuredLadder
    gain_db: FloatArray
    held_ms: float | None
    heat_db: float

    def at_drive(self, drive_dbfs: float) -> AtDrive:
        """Return a rung with filters and without, as a ladder states it: freed of its shape."""
        shape = self.ladder.shape_db
        without, filtered = (
            Curve(level.values - shape, level.low - shape, level.high - shape)
            for level in (
                self.ladder.fundamental_db(drive_dbfs + shape),
                self._remembering(drive_dbfs + shape + self.gain_db),
            )
        )
        return AtDrive(drive_dbfs, without.values, filtered, less(filtered, without))

    def at_level(self, level_db: float) -> AtLevel:
        """Return what is heard at the same mean over the level band."""
        without = self.ladder.drive_for(level_db, np.zeros(len(self.gain_db)))
        filtered = self.ladder.drive_for(level_db, self.gain_db)
        here = np.full(len(self.gain_db), float(without.values))
        through = float(filtered.values) + self.gain_db
        if not np.isfinite(float(without.values)):
            through = np.full(len(self.gain_db), np.nan)
        thd, harmonics = self.ladder.distortion(here)
        thd_with, harmonics_with = self.ladder.distortion(through)
        above, below = self.ladder.beyond(through)
        grid_hz = self.ladder.take.frequency_hz
        return AtLevel(
            level_db=float(level_db),
            unit=self.ladder.take.level_unit,
            drive_dbfs=_known(without.values),
            filtered_drive_dbfs=_known(filtered.values),
            filtered_drive_low_dbfs=_known(filtered.low),
            filtered_drive_high_dbfs=_known(filtered.high),
            drive_at_dbfs=through,
            fundamental_db=self.ladder.fundamental_db(here),
            filtered_fundamental_db=self._remembering(through),
            thd_db=thd,
            filtered_thd_db=thd_with,
            thd_change_db=less(thd_with, thd),
            harmonics=harmonics,
            filtered_harmonics=harmonics_with,
            headroom=[
                _headroom(limit, without, filtered, self.gain_db) for limit in self.ladder.limits
            ],
            above_hz=_ranges(grid_hz, above),
            below_hz=_ranges(grid_hz, below),
        )

    def _remembering(self, drive_dbfs: FloatArray) -> Curve:
        """Return levels whose intervals hold what memory and heat may do."""
        level = self.ladder.fundamental_db(drive_dbfs)
        extra = still_down_db(
            self.ladder.take.frequency_hz, self.ladder.reduction_db(drive_dbfs), self.held_ms
        )
        return Curve(
            level.values,
            level.low - extra - max(self.heat_db, 0.0),
            level.high + max(-self.heat_db, 0.0),
        )


def _headroom(limit: Limit, without: Curve, filtered: Curve, gain_db: FloatArray) -> Headroom:
    """Return how far both drives stay below a limit."""
    at = limit.drive_dbfs
    known = np.where(np.isfinite(at.values), 0.0, np.nan)
    return Headroom(
        limit=limit.name,
        without_db=Curve(at.values - without.values, at.low - without.high, at.high - without.low),
        filtered_db=Curve(
            at.values - filtered.values - gain_db,
            at.low - filtered.high - gain_db,
            at.high - filtered.low - gain_db,
        ),
        change_db=Curve(
            known + without.values - filtered.values - gain_db,
            known + without.low - filtered.high - gain_db,
            known + without.high - filtered.low - gain_db,
        ),
    )


def _known(value: FloatArray) -> float | None:
    return float(value) if np.isfinite(value) else None


def _ranges(grid_hz: FloatArray, flags: BoolArray) -> list[list[float]]:
    return [[float(grid_hz[a]), float(grid_hz[b - 1])] for a, b in runs_of(flags)]
