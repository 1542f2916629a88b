"""Ceilings: the highest level that still keeps within a limit of distortion or compression."""

from __future__ import annotations

import numpy as np

from distsweep.results import Ceiling
from distsweep.units import BoolArray, FloatArray, percent_to_db

LIMITS: tuple[tuple[float | None, float | None], ...] = (
    (1.0, None),
    (3.0, None),
    (10.0, None),
    (None, 1.0),
    (None, 3.0),
    (1.0, 1.0),
    (3.0, 1.0),
    (10.0, 3.0),
)
"""Limits of THD in percent and of compression in dB, one or both (whichever comes first)."""


def find_ceilings(
    drive_dbfs: FloatArray,
    level_db: FloatArray,
    thd_db: FloatArray,
    gain_change_db: FloatArray,
) -> list[Ceiling]:
    """Find where each limit is crossed, going up.

    Parameters
    ----------
    drive_dbfs : rising, shape ``(R,)``.
    level_db : output, shape ``(R, F)``.
    thd_db : re the fundamental; NaN where it is not known, −inf where it is known to be
        under any limit (no harmonic inside the band), shape ``(R, F)``.
    gain_change_db : NaN where it is not known, shape ``(R, F)``.

    Returns
    -------
    One for each of ``LIMITS``. Where two levels played lie on either side of a limit, the
    drive at the limit is linear between them (THD in dB, gain in dB, against drive in dB),
    and so is the level. Nothing is extrapolated.
    """
    ceilings = []
    for thd_percent, compression_db in LIMITS:
        places, names = [], []
        if thd_percent is not None:
            places.append(_crossing(drive_dbfs, thd_db - float(percent_to_db(thd_percent))))
            names.append("thd")
        if compression_db is not None:
            places.append(_crossing(drive_dbfs, -gain_change_db - compression_db))
            names.append("compression")
        ceilings.append(_ceiling(drive_dbfs, level_db, places, names, thd_percent, compression_db))
    return ceilings


def _crossing(drive: FloatArray, over: FloatArray) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Return, per frequency, the drive of the first crossing, the highest drive known, and
    whether the lowest known level is over the limit already.

    ``over`` is above zero past the limit; NaN rungs are passed over. The crossing is NaN
    where there is none.
    """
    frequencies = over.shape[1]
    crossing, highest = np.full(frequencies, np.nan), np.full(frequencies, np.nan)
    already = np.zeros(frequencies, dtype=bool)
    last_over, last_drive = np.full(frequencies, np.nan), np.full(frequencies, np.nan)
    for value, row in zip(drive, over, strict=True):
        known = ~np.isnan(row) & np.isnan(crossing) & ~already
        first = known & np.isnan(last_over)
        already |= first & (row > 0.0)
        here = known & ~first & (row > 0.0)
        # A level known to have no distortion at all gives no slope: the step's lower end stands.
        with np.errstate(invalid="ignore", divide="ignore"):
            share = np.where(np.isneginf(last_over), 0.0, -last_over / (row - last_over))
        crossing[here] = (last_drive + share * (value - last_drive))[here]
        passed = known & ~(row > 0.0)
        last_over[passed], last_drive[passed] = row[passed], value
        highest[passed] = value
    return crossing, highest, already


def _ceiling(
    drive: FloatArray,
    level_db: FloatArray,
    places: list[tuple[FloatArray, FloatArray, BoolArray]],
    names: list[str],
    thd_percent: float | None,
    compression_db: float | None,
) -> Ceiling:
    frequencies = level_db.shape[1]
    at, limited = np.full(frequencies, np.nan), [""] * frequencies
    reached = np.zeros(frequencies, dtype=bool)
    for f in range(frequencies):
        crossed = [(p[0][f], n) for p, n in zip(places, names, strict=True) if p[0][f] == p[0][f]]
        already = [n for p, n in zip(places, names, strict=True) if p[2][f]]
        known = [p[1][f] for p in places if p[1][f] == p[1][f]]
        if already:
            reached[f], limited[f] = True, already[0]
        elif crossed:
            at[f], limited[f] = min(crossed)
            reached[f] = True
        elif len(known) == len(places):
            at[f] = min(known)
    levels = np.full(frequencies, np.nan)
    for f in range(frequencies):
        held = np.isfinite(level_db[:, f])
        if np.isfinite(at[f]):
            levels[f] = np.interp(at[f], drive[held], level_db[held, f])
    return Ceiling(
        thd_percent=np.nan if thd_percent is None else thd_percent,
        level_db=levels,
        compression_db=compression_db,
        drive_dbfs=at,
        reached=reached,
        limited_by=limited,
    )
