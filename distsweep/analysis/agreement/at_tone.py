"""A ladder at one tone of a staircase: limiter, threshold and gain change of both, side by side."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from distsweep.results import Limiter, Rung, Staircase, Take
from distsweep.units import BoolArray, FloatArray

NEAR_OCTAVES = 1.0 / 12.0
"""The ladder's gain change at a tone is the median over so much on either side (chosen: a sixth of
an octave in all, as a ladder's gain change is smoothed elsewhere)."""

SAME_GAIN_DB, SAME_GAIN_SHARE = 0.5, 0.1
"""Gain changes so near each other, or within that share, are the same (chosen: between two
steps of a staircase a knee is interpolated to a few tenths)."""

SAME_DRIVE_DB = 1e-6
"""Drives so near each other are the same (chosen: rounding)."""


@dataclass(frozen=True)
class _Changes:
    """Both gain changes, and the ends of their 95 % intervals; None where nobody knows."""

    drive_dbfs: float | None = None
    ladder_db: float | None = None
    staircase_db: float | None = None
    ladder_ends_db: tuple[float | None, float | None] = (None, None)
    staircase_ends_db: tuple[float | None, float | None] = (None, None)


@dataclass(frozen=True, eq=False)
class LadderAtTone:
    """A ladder and a tone of a staircase, side by side.

    The gain changes are those at ``drive_dbfs``, the highest drive that both have, re the lowest
    one; None where there are no two.
    """

    ladder: Take
    row: Staircase
    tone: Limiter

    @cached_property
    def there(self) -> Limiter:
        """The ladder's limiter at the tone; of kind "none" where it has none."""
        for one in self.ladder.limiters:
            if (
                one.band_hz is not None
                and one.band_hz[0] <= self.row.frequency_hz <= one.band_hz[1]
            ):
                return one
        return Limiter("none")

    @cached_property
    def shape_db(self) -> float:
        """The sweep's drive at the tone, re the one that its rungs are named by."""
        return _shape_db(self.ladder, self.row.frequency_hz)

    @cached_property
    def ladder_threshold_dbfs(self) -> tuple[float | None, float | None]:
        """What the ladder's threshold lies between, as a drive at the tone.

        A band is judged by its drive before any reduction of the sweep, so the most and the least
        that the drive is reduced by inside the band widen what the threshold lies between.
        """
        low, high = self.there.threshold_bounds_dbfs
        if self.there.band_hz is None:
            return low, high
        inside_hz = [*self.there.band_hz, self.row.frequency_hz]
        shapes = [_shape_db(self.ladder, one) for one in inside_hz]
        return (
            None if low is None else low + min(shapes),
            None if high is None else high + max(shapes),
        )

    @cached_property
    def _changes(self) -> _Changes:
        drives, changes = self.known_changes
        if len(drives) < 2:
            return _Changes()
        common = [
            (rung.drive_dbfs + self.shape_db, change, self._rung_within_db(rung))
            for rung, change in zip(self.ladder.rungs, self._ladder_changes_db(), strict=True)
            if not rung.clipped
            and np.isfinite(change)
            and _within(rung.drive_dbfs + self.shape_db, drives)
        ]
        if len(common) < 2:
            return _Changes()
        first_dbfs, first, first_within = min(common)
        last_dbfs, last, last_within = max(common)
        ends_dbfs = [first_dbfs, last_dbfs]
        before, after = np.interp(ends_dbfs, drives, changes)
        by_ladder, by_staircase = float(last - first), float(after - before)
        tone_within = np.interp(ends_dbfs, drives, self._tone_within_db())
        return _Changes(
            last_dbfs,
            by_ladder,
            by_staircase,
            _ends(by_ladder, float(np.hypot(first_within, last_within))),
            _ends(by_staircase, float(np.hypot(*tone_within))),
        )

    def _tone_within_db(self) -> FloatArray:
        """Return how far the intervals of the tone's levels reach where its gain changes are known.

        A difference of two gain changes is one of two levels: the reference takes no part.
        """
        row = self.row
        if not len(row.level_high_db):
            return np.full(len(self.known_changes[0]), np.nan)
        half = (row.level_high_db - row.level_low_db) / 2.0
        return np.asarray(half[np.isfinite(row.gain_change_db)])

    def _rung_within_db(self, rung: Rung) -> float:
        """Return how far a rung's level near the tone is known: a median, as single ones are."""
        if not len(rung.fundamental_high_db):
            return float("nan")
        half = (rung.fundamental_high_db - rung.fundamental_low_db)[self._near] / 2.0
        half = half[np.isfinite(half)]
        return float(np.median(half)) if len(half) else float("nan")

    @property
    def drive_dbfs(self) -> float | None:
        """The highest drive that both have."""
        return self._changes.drive_dbfs

    @property
    def ladder_change_db(self) -> float | None:
        """The ladder's gain change there."""
        return self._changes.ladder_db

    @property
    def staircase_change_db(self) -> float | None:
        """The staircase's gain change there."""
        return self._changes.staircase_db

    @property
    def ladder_ends_db(self) -> tuple[float | None, float | None]:
        """The ends of the ladder's gain change."""
        return self._changes.ladder_ends_db

    @property
    def staircase_ends_db(self) -> tuple[float | None, float | None]:
        """The ends of the staircase's gain change."""
        return self._changes.staircase_ends_db

    @property
    def known_changes(self) -> tuple[FloatArray, FloatArray]:
        """Drives and gain changes of the tone where they are known."""
        known = np.isfinite(self.row.gain_change_db)
        return self.row.drive_dbfs[known], self.row.gain_change_db[known]

    @cached_property
    def _near(self) -> BoolArray:
        octaves = np.abs(np.log2(self.ladder.frequency_hz / self.row.frequency_hz))
        return np.asarray(octaves <= NEAR_OCTAVES)

    def _ladder_changes_db(self) -> FloatArray:
        assert self.ladder.compression is not None  # the caller looked
        change = np.array([row[self._near] for row in self.ladder.compression.gain_change_db])
        result = np.full(len(change), np.nan)
        known = np.any(np.isfinite(change), axis=1)
        result[known] = np.nanmedian(change[known], axis=1)
        return result

    @property
    def common_rungs(self) -> int:
        """How many of the ladder's levels lie between the staircase's lowest and highest one."""
        return sum(
            _within(rung.drive_dbfs + self.shape_db, self.row.drive_dbfs)
            for rung in self.ladder.rungs
            if not rung.clipped
        )

    @property
    def same_gain(self) -> bool:
        """Whether both lose as much, as far as the staircase's steps tell."""
        ladder_db, most = self.ladder_change_db, self.staircase_change_db
        if ladder_db is None or most is None:
            return False
        apart = max(most - ladder_db, ladder_db - most - self._bent_db())
        deeper = max(abs(most), abs(ladder_db))
        return apart <= max(SAME_GAIN_DB, SAME_GAIN_SHARE * deeper)

    def _bent_db(self) -> float:
        """Return by how much less may be lost than is interpolated between two of the steps.

        That is so where the tone's threshold lies between the two: up to there nothing more is
        lost.
        """
        drives, changes = self.known_changes
        dbfs, knee = self.drive_dbfs, self.tone.threshold_bounds_dbfs[1]
        if dbfs is None or knee is None:
            return 0.0
        at = int(np.searchsorted(drives, dbfs - SAME_DRIVE_DB))
        if at == 0 or not drives[at - 1] < knee < drives[at]:
            return 0.0
        step = slice(at - 1, at + 1)
        bent = np.interp(dbfs, [knee, drives[at]], changes[step])
        return max(0.0, float(bent - np.interp(dbfs, drives[step], changes[step])))


def _ends(change_db: float, within_db: float) -> tuple[float | None, float | None]:
    if not np.isfinite(within_db):
        return None, None
    return change_db - within_db, change_db + within_db


def _within(drive_dbfs: float, drives_dbfs: FloatArray) -> bool:
    low, high = float(drives_dbfs[0]) - SAME_DRIVE_DB, float(drives_dbfs[-1]) + SAME_DRIVE_DB
    return low <= drive_dbfs <= high


def _shape_db(ladder: Take, frequency_hz: float) -> float:
    """Return by how much the sweep's drive at a frequency differs from the one it is named by."""
    known = np.isfinite(ladder.drive_shape_db)
    if not np.any(known):
        return 0.0
    grid = np.log(ladder.frequency_hz[known])
    return float(np.interp(np.log(frequency_hz), grid, ladder.drive_shape_db[known]))
