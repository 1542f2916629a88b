"""A ladder and a staircase of the same loudspeaker compared where both have been."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.agreement.at_tone import SAME_DRIVE_DB
from distsweep.analysis.noise.interval import errors_of_difference
from distsweep.results import Agreement, Rung, Staircase, Take
from distsweep.results.ladder import no_interval
from distsweep.units import BoolArray, FloatArray, db_to_power, power_to_db


@np.errstate(invalid="ignore")  # −inf less −inf: an end that is not known
def compare_takes(ladder: Take, staircase: Take) -> list[Agreement]:
    """Compare level and THD at the staircase's frequencies and the ladder's drives.

    The ladder is interpolated over log-frequency, the staircase over drive; both sum the
    orders that both have. Where one has no value, there is no comparison.

    Notes
    -----
    In a room the two need not agree in level: a sweep's window shuts out reflections that a
    steady tone includes.
    """
    found = []
    for row in staircase.staircase:
        inside = ladder.frequency_hz[0] <= row.frequency_hz <= ladder.frequency_hz[-1]
        for rung in ladder.rungs if inside else []:
            one = _compared(ladder, rung, staircase, row)
            if one is not None:
                found.append(one)
    return found


def _compared(ladder: Take, rung: Rung, staircase: Take, row: Staircase) -> Agreement | None:
    low, high = float(row.drive_dbfs[0]), float(row.drive_dbfs[-1])
    if rung.clipped or not low - SAME_DRIVE_DB <= rung.drive_dbfs <= high + SAME_DRIVE_DB:
        return None
    at, on = _OnFrequency(ladder.frequency_hz, row.frequency_hz), _AtDrive(row, rung.drive_dbfs)
    orders = [
        n
        for n in row.harmonics
        if n in rung.harmonics and np.isfinite(at(rung.harmonics[n].level_db))
    ]
    level = at.known(rung.fundamental_db, rung.fundamental_low_db, rung.fundamental_high_db)
    own_level = on.known(row.level_db, row.level_low_db, row.level_high_db)
    if not np.isfinite(level.level_db) or not np.isfinite(own_level.level_db):
        return None
    thd = own_thd = _Known(np.nan, np.nan, np.nan)
    margin, reliable = np.nan, False
    if orders:
        curves = [rung.harmonics[n] for n in orders]
        thd = _summed([at.known(one.level_db, one.low_db, one.high_db) for one in curves])
        ends = row.harmonics_low_db, row.harmonics_high_db
        own = [(row.harmonics[n], *(end.get(n, no_interval()) for end in ends)) for n in orders]
        own_thd = _summed([on.known(*parts) for parts in own])
        floor, own_floor = at(rung.whole_thd_floor_db), on(row.thd_floor_db)
        margin = min(thd.level_db - floor, own_thd.level_db - own_floor)
        reliable = at.all_of(rung.thd_reliable) and _reliable_at(row, rung.drive_dbfs)
    level_difference, thd_difference = own_level.minus(level), own_thd.minus(thd)
    return Agreement(
        position=ladder.position,
        ladder=ladder.stimulus,
        staircase=staircase.stimulus,
        frequency_hz=row.frequency_hz,
        drive_dbfs=rung.drive_dbfs,
        level_difference_db=level_difference.level_db,
        thd_difference_db=thd_difference.level_db,
        ladder_thd_db=thd.level_db,
        staircase_thd_db=own_thd.level_db,
        thd_margin_db=float(margin),
        reliable=bool(reliable),
        level_difference_low_db=level_difference.low_db,
        level_difference_high_db=level_difference.high_db,
        thd_difference_low_db=thd_difference.low_db,
        thd_difference_high_db=thd_difference.high_db,
    )


@dataclass(frozen=True)
class _Known:
    """A level with the ends of its interval; these are NaN where they are not known."""

    level_db: float
    low_db: float
    high_db: float

    def minus(self, other: _Known) -> _Known:
        """Return the difference."""
        difference = self.level_db - other.level_db
        down, up = errors_of_difference(
            (self.level_db, self.low_db, self.high_db),
            (other.level_db, other.low_db, other.high_db),
        )
        return _Known(difference, float(difference - down), float(difference + up))


def _summed(levels: Sequence[_Known]) -> _Known:
    """Return the sum of powers; the errors of the powers add as squares."""
    parts = [[one.level_db, one.low_db, one.high_db] for one in levels]
    power, low, high = db_to_power(np.array(parts).T)
    total = float(np.sum(power))
    down, up = (float(np.sqrt(np.sum((end - power) ** 2))) for end in (low, high))
    return _Known(*(float(power_to_db(p)) for p in (total, max(total - down, 0.0), total + up)))


class _OnFrequency:
    """Reads curves of a grid at one frequency, by a cubic through the four nearest points."""

    def __init__(self, grid_hz: FloatArray, frequency_hz: float) -> None:
        place = np.interp(np.log(frequency_hz), np.log(grid_hz), np.arange(len(grid_hz)))
        self._first = int(np.clip(int(place) - 1, 0, max(len(grid_hz) - 4, 0)))
        self._u = float(place) - self._first

    def __call__(self, curve: FloatArray) -> float:
        """Return the curve's value; NaN where one of the points is not finite."""
        near = curve[self._first : self._first + 4]
        if not np.all(np.isfinite(near)):
            return float("nan")
        nodes = np.arange(len(near))
        value = 0.0
        for i, y in enumerate(near):
            others = nodes[nodes != i]
            value += float(y * np.prod((self._u - others) / (i - others)))
        return value

    def known(self, level_db: FloatArray, low_db: FloatArray, high_db: FloatArray) -> _Known:
        """Return a level with its ends, which reach as far as at the worse of both neighbours."""
        level = self(level_db)
        if not high_db.size:
            return _Known(level, np.nan, np.nan)
        whole = self._first + int(self._u)
        near = slice(whole, whole + 2)
        down = float(np.max(level_db[near] - low_db[near]))
        return _Known(level, level - down, level + float(np.max(high_db[near] - level_db[near])))

    def all_of(self, flags: BoolArray) -> bool:
        """Tell whether the points on both sides hold."""
        whole = self._first + int(self._u)
        return bool(np.all(flags[whole : whole + 2]))


class _AtDrive:
    """Reads the levels of a tone at one drive, straight between two that were played."""

    def __init__(self, row: Staircase, drive_dbfs: float) -> None:
        self._drives, self._drive = row.drive_dbfs, drive_dbfs

    def __call__(self, values: FloatArray) -> float:
        """Return a value at the drive; NaN where one beside it is not known."""
        exact = np.flatnonzero(np.abs(self._drives - self._drive) < SAME_DRIVE_DB)
        if len(exact):
            return float(values[exact[0]])
        return float(np.interp(self._drive, self._drives, values))

    def known(self, level_db: FloatArray, low_db: FloatArray, high_db: FloatArray) -> _Known:
        """Return a level with its ends; −inf where no more than noise was measured."""
        if not high_db.size:
            return _Known(self(level_db), np.nan, np.nan)
        nothing = np.isnan(level_db) & np.isfinite(high_db)
        level_db, low_db = (np.where(nothing, -np.inf, part) for part in (level_db, low_db))
        return _Known(self(level_db), self(low_db), self(high_db))


def _reliable_at(row: Staircase, drive_dbfs: float) -> bool:
    near = np.abs(row.drive_dbfs - drive_dbfs)
    exact = near < SAME_DRIVE_DB
    if np.any(exact):
        return bool(row.thd_reliable[exact][0])
    above = int(np.searchsorted(row.drive_dbfs, drive_dbfs))
    return bool(np.all(row.thd_reliable[max(above - 1, 0) : above + 1]))
