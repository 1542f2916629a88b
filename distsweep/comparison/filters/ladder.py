"""A ladder as filters are tried on it: what was played, its gain against drive, its limits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.comparison.filters.gain_course import SAME_DB, GainCourse, gain_course, looked_up
from distsweep.comparison.filters.limit_drives import limits_of
from distsweep.comparison.filters.record import Curve, Limit
from distsweep.results import EACH_FREQUENCY, Take
from distsweep.results.between_rungs import Between
from distsweep.results.rung_curves import Curves
from distsweep.results.stated_level import Played, played_rungs
from distsweep.units import BoolArray, FloatArray, db_to_power, power_to_db

LEAST_RUNGS = 3
"""Fewer rungs tell too little of what lies between them (chosen: gain change needs two, and a
limiter's curve one more)."""

HIGHEST_DRIVE_DBFS = 0.0
"""Drive of a full-scale sine (by definition): no rung is louder."""

DRIVE_STEP_DB = 0.02
"""Drives among which a listening level is looked for stand so far apart (chosen: between them the
level runs straight)."""


@dataclass(frozen=True)
class MeasuredLadder:
    """A take of three rungs or more, and what is read from it once.

    Drives given are those of a sine. Where the sweep's drive is lower than its rung's, by
    ``shape_db`` of ``(F,)``, such a sine is found that much higher among the rungs.
    """

    take: Take
    played: Played
    course: GainCourse
    limits: list[Limit]
    band: BoolArray
    shape_db: FloatArray

    @classmethod
    def of(
        cls, take: Take, level_band_hz: tuple[float, float], *, held_ms: float | None = None
    ) -> MeasuredLadder | None:
        """Read a take; None where too few rungs can be read.

        ``held_ms`` is its limiters' release, as far as it is known.
        """
        played = played_rungs(take.rungs, EACH_FREQUENCY)
        if played is None or len(played.drives_dbfs) < LEAST_RUNGS:
            return None
        grid_hz = take.frequency_hz
        course = gain_course(
            grid_hz, played.drives_dbfs, played.level, take.limiters, held_ms=held_ms
        )
        band = (grid_hz >= level_band_hz[0]) & (grid_hz <= level_band_hz[1])
        shape = np.nan_to_num(take.drive_shape_db)
        return cls(take, played, course, limits_of(take, course, shape), band, shape)

    @property
    def range_dbfs(self) -> tuple[float, float]:
        """The lowest and the highest drive played."""
        return float(self.played.drives_dbfs[0]), float(self.played.drives_dbfs[-1])

    def fundamental_db(self, drive_dbfs: FloatArray) -> Curve:
        """Return the level at one drive a frequency; NaN beyond what was played."""
        gain = self.course.at(drive_dbfs - self.shape_db)
        return Curve(gain.values + drive_dbfs, gain.low + drive_dbfs, gain.high + drive_dbfs)

    def beyond(self, drive_dbfs: FloatArray) -> tuple[BoolArray, BoolArray]:
        """Tell where one drive a frequency is above what was played, and where below, ``(F,)``."""
        low_dbfs, high_dbfs = self.range_dbfs
        at = drive_dbfs - self.shape_db
        return at > high_dbfs + SAME_DB, at < low_dbfs - SAME_DB

    def reduction_db(self, drive_dbfs: FloatArray) -> FloatArray:
        """Return the most that limiters may take at one drive a frequency; 0 where none acts."""
        at = np.clip(drive_dbfs - self.shape_db, *self.range_dbfs)
        lost = self.course.gain.values[0] - self.course.at(at).low
        return np.where(self.course.knee_known & np.isfinite(lost), np.maximum(lost, 0.0), 0.0)

    def distortion(self, drive_dbfs: FloatArray) -> tuple[Curve, dict[int, Curve]]:
        """Return THD and harmonics at one drive a frequency, dB re the fundamental.

        Where a limiter's static curve is known they are read at the level that it lets through:
        it turns the drive down, and what distorts is behind it.
        """
        at, played, level = drive_dbfs - self.shape_db, self.played, self.fundamental_db(drive_dbfs)
        known = self.course.knee_known
        by_drive = Between(played.drives_dbfs, played.drive, at)
        total, parts = by_drive.read_total(played.thd, played.harmonics)
        if known.any():
            shown = played.level.values
            widened = Curves(
                shown,
                np.minimum(played.level.low, shown - (level.values - level.low)),
                np.maximum(played.level.high, shown + (level.high - level.values)),
            )
            by_level = Between(played.drives_dbfs, widened, level.values - self.shape_db)
            louder, louder_parts = by_level.read_total(played.thd, played.harmonics)
            return _where(known, louder, total), {
                order: _where(known, louder_parts[order], part) for order, part in parts.items()
            }
        return _where(known, total, total), {n: _where(known, p, p) for n, p in parts.items()}

    def drive_for(self, level_db: float, gain_db: FloatArray) -> Curve:
        """Return the drive at which the mean over the level band is a level, shape ``()``.

        ``gain_db`` is that of the filters, ``(F,)``. Below the lowest rung the gain is taken to be
        the lowest one's. NaN where a louder rung than those played, or than full scale, is needed.
        """
        low_dbfs, high_dbfs = self.range_dbfs
        band = self.band & np.all(np.isfinite(self.course.gain.values), axis=0)
        if not band.any():
            return Curve(*(np.asarray(np.nan),) * 3)
        filters, shape = gain_db[band], self.shape_db[band]
        reach = float(np.max(filters - shape))
        least, most = low_dbfs - reach, min(high_dbfs - reach, HIGHEST_DRIVE_DBFS)
        drives = np.arange(least, most + DRIVE_STEP_DB / 2.0, DRIVE_STEP_DB)
        found = []
        for part in (self.course.gain.values, self.course.gain.high, self.course.gain.low):
            at = np.clip(drives[:, None] + filters - shape, low_dbfs, high_dbfs)
            gains = looked_up(self.course.drives_dbfs, part[:, band], at)
            power = db_to_power(drives[:, None] + filters + gains)
            means_db = power_to_db(np.mean(power, axis=1))
            found.append(_first_reached(drives, means_db, level_db))
        return Curve(*(np.asarray(one) for one in found))


def _first_reached(drives: FloatArray, means_db: FloatArray, level_db: float) -> float:
    """Return the first drive that gives a level; NaN where none does."""
    if not len(drives) or not means_db[0] <= level_db + DRIVE_STEP_DB:
        return float("nan")
    above = np.flatnonzero(means_db >= level_db)
    if not len(above):
        near = means_db[-1] >= level_db - DRIVE_STEP_DB
        return float(drives[-1]) if near else float("nan")
    at = int(above[0])
    if at == 0:
        return float(drives[0])
    share = (level_db - means_db[at - 1]) / (means_db[at] - means_db[at - 1])
    return float(drives[at - 1] + share * (drives[at] - drives[at - 1]))


def _where(known: BoolArray, one: Curves, other: Curves) -> Curve:
    return Curve(
        np.where(known, one.values, other.values),
        np.where(known, one.low, other.low),
        np.where(known, one.high, other.high),
    )
