"""A ladder and a staircase of the same loudspeaker compared where both have been."""

from __future__ import annotations

import numpy as np

from distsweep.analysis.agreement.at_tone import SAME_DRIVE_DB
from distsweep.results import Agreement, Rung, Staircase, Take
from distsweep.units import BoolArray, FloatArray, db_to_power, power_to_db


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
    at = _OnFrequency(ladder.frequency_hz, row.frequency_hz)
    orders = [
        n
        for n in row.harmonics
        if n in rung.harmonics and np.isfinite(at(rung.harmonics[n].level_db))
    ]
    level = at(rung.fundamental_db)
    own_level = _at_drive(row, row.level_db, rung.drive_dbfs)
    if not np.isfinite(level) or not np.isfinite(own_level):
        return None
    thd = own_thd = margin = np.nan
    reliable = False
    if orders:
        powers = [db_to_power(at(rung.harmonics[n].level_db)) for n in orders]
        own = [db_to_power(_at_drive(row, row.harmonics[n], rung.drive_dbfs)) for n in orders]
        thd, own_thd = float(power_to_db(np.sum(powers))), float(power_to_db(np.sum(own)))
        floor = at(rung.thd_floor_db)
        own_floor = _at_drive(row, row.thd_floor_db, rung.drive_dbfs)
        margin = min(thd - floor, own_thd - own_floor)
        reliable = at.all_of(rung.thd_reliable) and _reliable_at(row, rung.drive_dbfs)
    return Agreement(
        position=ladder.position,
        ladder=ladder.stimulus,
        staircase=staircase.stimulus,
        frequency_hz=row.frequency_hz,
        drive_dbfs=rung.drive_dbfs,
        level_difference_db=own_level - level,
        thd_difference_db=own_thd - thd,
        ladder_thd_db=thd,
        staircase_thd_db=own_thd,
        thd_margin_db=float(margin),
        reliable=bool(reliable),
    )


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

    def all_of(self, flags: BoolArray) -> bool:
        """Tell whether the points on both sides hold."""
        whole = self._first + int(self._u)
        return bool(np.all(flags[whole : whole + 2]))


def _at_drive(row: Staircase, values: FloatArray, drive_dbfs: float) -> float:
    exact = np.flatnonzero(np.abs(row.drive_dbfs - drive_dbfs) < SAME_DRIVE_DB)
    if len(exact):
        return float(values[exact[0]])
    return float(np.interp(drive_dbfs, row.drive_dbfs, values))


def _reliable_at(row: Staircase, drive_dbfs: float) -> bool:
    near = np.abs(row.drive_dbfs - drive_dbfs)
    exact = near < SAME_DRIVE_DB
    if np.any(exact):
        return bool(row.thd_reliable[exact][0])
    above = int(np.searchsorted(row.drive_dbfs, drive_dbfs))
    return bool(np.all(row.thd_reliable[max(above - 1, 0) : above + 1]))
