"""THD at one frequency of a take, at a drive or at a level, played or between those played."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.results.at_spl import BAND, EACH_FREQUENCY
from distsweep.results.between_rungs import Between
from distsweep.results.ladder import Rung
from distsweep.results.record import Record
from distsweep.results.rung_curves import Curves
from distsweep.results.staircase import Staircase
from distsweep.results.stated_level import Played, played_bursts, played_rungs
from distsweep.units import FloatArray, db_to_percent

SAME_DRIVE_DB = 0.05
"""Drives so close count as the same (chosen: people ask for −16 where −15.98 was played)."""


NO_ENDS = np.zeros(0)
"""Stands for the ends of intervals where a record holds none."""


SAME_TONE = 0.01
"""Share by which a tone's frequency may miss the one asked for (chosen: its nominal frequency,
which a burst of whole periods misses by less)."""

RELIABLE_HALF_WIDTH_DB = 1.5
"""A value whose 95 % interval is no wider to either side on average is reliable (contract)."""


@dataclass(frozen=True, repr=False)
class Thd(Record):
    """THD at one frequency and drive, with the ends of its 95 % interval.

    ``thd_db``, ``low_db``, ``high_db`` and ``floor_db`` (what background noise alone would show)
    are re the fundamental. A ``low_db`` of −inf (``low_percent`` of 0) says that THD is at most
    the high end. NaN where no harmonic fits the measured band, or noise hides the fundamental; the
    ends also where the results hold no intervals. ``drive_dbfs`` is the drive played, or the one
    that gives the level asked for.
    """

    frequency_hz: float
    drive_dbfs: float
    thd_db: float
    thd_percent: float
    floor_db: float
    reliable: bool
    low_db: float = float("nan")
    high_db: float = float("nan")
    low_percent: float = float("nan")
    high_percent: float = float("nan")


@dataclass(frozen=True)
class Wanted:
    """A drive, or a level in one of its meanings."""

    drive_dbfs: float | None
    spl_db: float | None
    meaning: str

    @property
    def at(self) -> float:
        """The drive or the level."""
        value = self.drive_dbfs if self.spl_db is None else self.spl_db
        assert value is not None
        return value

    @classmethod
    def of(
        cls, drive_dbfs: float | None, spl_db: float | None, meaning: str, *, calibrated: bool
    ) -> Wanted:
        """Check what is asked for.

        Raises
        ------
        ValueError
            Not exactly one of drive and level is given, the level has no such meaning, or the take
            has no levels in dB SPL.
        """
        if (drive_dbfs is None) == (spl_db is None):
            raise ValueError("give drive_dbfs or spl_db, one of them")
        if meaning not in (BAND, EACH_FREQUENCY):
            raise ValueError(f"meaning {meaning!r:.40}: must be {BAND!r} or {EACH_FREQUENCY!r}")
        if spl_db is not None and not calibrated:
            raise ValueError(
                f"{spl_db:g} dB SPL: this take is uncalibrated, its levels are in dBFS: give"
                " drive_dbfs"
            )
        return cls(drive_dbfs, spl_db, meaning)


def thd_of(
    grid_hz: FloatArray,
    rungs: Sequence[Rung],
    staircase: Sequence[Staircase],
    frequency_hz: float,
    wanted: Wanted,
) -> Thd:
    """Return THD of a take; see `Take.thd_at`."""
    if staircase:
        tones = np.array([row.frequency_hz for row in staircase])
        away = np.abs(frequency_hz / tones - 1.0)
        at = int(np.argmin(away))
        if not away[at] <= SAME_TONE:
            raise ValueError(f"no tone of {frequency_hz:g} Hz; there are {_listed(tones)} Hz")
        row = staircase[at]
        played = _played(row.drive_dbfs, wanted.drive_dbfs)
        if played is not None:
            return _thd_between(row, played, 0.0, row.frequency_hz)
        if wanted.spl_db is not None and wanted.meaning == BAND:
            raise ValueError(
                'a staircase plays single tones: meaning "band" is for ladders, give'
                f" {EACH_FREQUENCY!r}"
            )
        return _between_levels(played_bursts(row), [1.0], row.frequency_hz, wanted)
    if not grid_hz[0] <= frequency_hz <= grid_hz[-1]:
        raise ValueError(f"{frequency_hz:g} Hz: measured was {grid_hz[0]:g} to {grid_hz[-1]:g} Hz")
    at = min(int(np.searchsorted(grid_hz, frequency_hz, side="right")) - 1, len(grid_hz) - 2)
    share = float(np.log(frequency_hz / grid_hz[at]) / np.log(grid_hz[at + 1] / grid_hz[at]))
    played = _played([rung.drive_dbfs for rung in rungs], wanted.drive_dbfs)
    if played is not None:
        return _thd_between(rungs[played], at, share, frequency_hz)
    ends, weights = _ends_and_weights(at, share)
    meaning = EACH_FREQUENCY if wanted.spl_db is None else wanted.meaning
    rest = played_rungs(rungs, meaning, np.array(ends))
    return _between_levels(rest, weights, frequency_hz, wanted)


def _played(drives_dbfs: Sequence[float] | FloatArray, drive_dbfs: float | None) -> int | None:
    """Return the place of a drive among those played; None where it lies between two of them.

    Raises
    ------
    ValueError
        It lies beyond them.
    """
    if drive_dbfs is None:
        return None
    drives = np.asarray(drives_dbfs, dtype=float)
    away = np.abs(drives - drive_dbfs)
    if len(away) and np.min(away) <= SAME_DRIVE_DB:
        return int(np.argmin(away))
    if not len(away) or not np.min(drives) < drive_dbfs < np.max(drives):
        raise ValueError(
            f"{drive_dbfs:g} dBFS was not played; there are {_listed(drives_dbfs)} dBFS"
        )
    return None


def _between_levels(
    played: Played | None, weights: list[float], frequency_hz: float, wanted: Wanted
) -> Thd:
    """Return THD between two levels played, at one grid point or, weighted, between two.

    Raises
    ------
    ValueError
        The level was not played there.
    """
    if played is None:
        in_band = wanted.spl_db is not None and wanted.meaning == BAND
        raise ValueError(
            "no level that did not clip has a mean over the level band: give meaning"
            f" {EACH_FREQUENCY!r}"
            if in_band
            else "nothing can be read: every level was clipped in the recording"
        )
    level = played.drive if wanted.spl_db is None else played.level
    place = Between(played.drives_dbfs, level, wanted.at)
    drives = place.drive().values
    if np.isnan(drives).any():
        raise ValueError(_not_played(level, frequency_hz, wanted))
    thd, _ = place.read_total(played.thd, played.harmonics)
    parts = [float(np.dot(weights, part)) for part in (thd.values, thd.low, thd.high)]
    return _thd(
        frequency_hz,
        float(np.dot(weights, drives)),
        parts,
        float(np.dot(weights, place.line(played.floor_db))),
        reliable=bool(np.all(place.both(played.reliable)))
        and parts[2] - parts[1] <= 2.0 * RELIABLE_HALF_WIDTH_DB,
    )


def _not_played(level: Curves, frequency_hz: float, wanted: Wanted) -> str:
    """Say which levels were played, where one asked for was not."""
    heard, at = np.isfinite(level.values), wanted.at
    if wanted.spl_db is None:
        return f"{at:g} dBFS: no level beside this drive can be read at {frequency_hz:g} Hz"
    where = "in the level band" if wanted.meaning == BAND else f"at {frequency_hz:g} Hz"
    if not heard.any(axis=0).all():
        return f"{at:g} dB SPL: noise hides every level played {where}"
    # Between two points of the grid: what was played at both.
    low = np.max(np.nanmin(np.where(heard, level.values, np.nan), axis=0))
    high = np.min(np.nanmax(np.where(heard, level.values, np.nan), axis=0))
    if low <= at <= high:
        return f"{at:g} dB SPL: noise hides a level played beside it {where}"
    return (
        f"{at:g} dB SPL was not played {where}: there the ladder reaches from"
        f" {low:.1f} to {high:.1f} dB SPL"
    )


def _ends_and_weights(at: int, share: float) -> tuple[list[int], list[float]]:
    """Return a place, or both places around it, with the weight of each."""
    return ([at], [1.0]) if share == 0.0 else ([at, at + 1], [1.0 - share, share])


def _thd_between(curve: Rung | Staircase, at: int, share: float, frequency_hz: float) -> Thd:
    """Return THD at a place of a curve, or between it and the next."""
    ends, weights = _ends_and_weights(at, share)
    drive_dbfs = curve.drive_dbfs
    thd_db, low_db, high_db = (
        float(np.dot(weights, part[ends])) if len(part) else float("nan")
        for part in _with_ends(curve)
    )
    return _thd(
        frequency_hz,
        float(drive_dbfs[at]) if isinstance(drive_dbfs, np.ndarray) else drive_dbfs,
        (thd_db, low_db, high_db),
        float(np.dot(weights, curve.thd_floor_db[ends])),
        reliable=bool(np.all(curve.thd_reliable[ends])),
    )


def _thd(
    frequency_hz: float,
    drive_dbfs: float,
    parts_db: Sequence[float],
    floor_db: float,
    *,
    reliable: bool,
) -> Thd:
    thd_db, low_db, high_db = parts_db
    return Thd(
        frequency_hz=float(frequency_hz),
        drive_dbfs=drive_dbfs,
        thd_db=thd_db,
        thd_percent=float(db_to_percent(thd_db)),
        floor_db=floor_db,
        reliable=reliable,
        low_db=low_db,
        high_db=high_db,
        low_percent=float(db_to_percent(low_db)),
        high_percent=float(db_to_percent(high_db)),
    )


def _with_ends(curve: Rung | Staircase) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return THD and the ends of its interval, −inf where it is nothing, as a file cannot say."""
    low_db, high_db = getattr(curve, "thd_low_db", NO_ENDS), getattr(curve, "thd_high_db", NO_ENDS)
    if not len(high_db):
        return curve.thd_db, low_db, high_db
    bounded = np.isfinite(high_db)
    thd_db, low_db = (
        np.where(np.isnan(part) & bounded, -np.inf, part) for part in (curve.thd_db, low_db)
    )
    return thd_db, low_db, high_db


def _listed(numbers: Sequence[float] | FloatArray) -> str:
    return ", ".join(f"{number:g}" for number in numbers)
