"""The highest level that still keeps within a limit of distortion, of compression, or both."""

from __future__ import annotations

import numpy as np

from distsweep.results import CleanLevel
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


CONTRADICTS_DB = {"thd": 3.0, "compression": 0.5}
"""A louder level so far within a limit that a quieter one passed contradicts it (chosen: twice
what noise may move a reliable THD by, and half the lowest limit of compression)."""


def find_clean_levels(
    frequency_hz: FloatArray,
    drive_dbfs: FloatArray,
    level_db: FloatArray,
    thd_db: FloatArray,
    gain_change_db: FloatArray,
) -> list[CleanLevel]:
    """Find where each limit is crossed, going up.

    Parameters
    ----------
    frequency_hz : shape ``(F,)``.
    drive_dbfs : rising, shape ``(R,)``.
    level_db : output, shape ``(R, F)``.
    thd_db : re the fundamental; NaN where it is not known, −inf where it is known to be
        under any limit (no harmonic inside the band), shape ``(R, F)``.
    gain_change_db : NaN where it is not known, shape ``(R, F)``.

    Returns
    -------
    One for each of ``LIMITS``. Where two levels played lie on either side of a limit, the
    drive at the limit is linear between them (THD in dB, gain in dB, against drive in dB),
    and so is the level. Nothing is extrapolated. Where a louder level keeps well within a limit
    that a quieter one passed, there was a noise in one rung, or products cancel: nothing is
    stated, and ``state`` says "contradicted".
    """
    found = []
    for thd_percent, compression_db in LIMITS:
        over: dict[str, FloatArray] = {}
        if thd_percent is not None:
            over["thd"] = thd_db - float(percent_to_db(thd_percent))
        if compression_db is not None:
            over["compression"] = -gain_change_db - compression_db
        found.append(
            _clean_level(frequency_hz, drive_dbfs, level_db, over, thd_percent, compression_db)
        )
    return found


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


def _clean_level(
    frequency_hz: FloatArray,
    drive: FloatArray,
    level_db: FloatArray,
    over: dict[str, FloatArray],
    thd_percent: float | None,
    compression_db: float | None,
) -> CleanLevel:
    places = [_crossing(drive, one) for one in over.values()]
    crossings = np.array([np.where(np.isnan(p[0]), np.inf, p[0]) for p in places])
    highest = np.min(np.array([p[1] for p in places]), axis=0)  # NaN where one is not known
    already = np.array([p[2] for p in places])
    at_once = np.any(already, axis=0)
    crossed = np.min(crossings, axis=0)
    first = np.where(at_once, np.argmax(already, axis=0), np.argmin(crossings, axis=0))
    contradicted = _contradicted(over)
    reached = (at_once | np.isfinite(crossed)) & ~contradicted
    at = np.where(at_once, np.nan, np.where(reached, crossed, highest))
    at = np.where(contradicted, np.nan, at)
    level = _level_at(drive, level_db, at)
    state = np.select(
        [contradicted, at_once, reached, np.isfinite(at)],
        ["contradicted", "below", "reached", "not reached"],
        "unknown",
    )
    nothing = np.full(len(frequency_hz), np.nan)
    least = state == "not reached"
    return CleanLevel(
        thd_percent=np.nan if thd_percent is None else thd_percent,
        compression_db=compression_db,
        frequency_hz=frequency_hz,
        level_db=level,
        low_db=np.where(least, level, nothing),
        high_db=nothing,
        drive_dbfs=at,
        drive_low_dbfs=np.where(least, at, nothing),
        drive_high_dbfs=nothing,
        state=state.tolist(),
        limited_by=np.where(reached, np.array(list(over))[first], "").tolist(),
    )


def _contradicted(over: dict[str, FloatArray]) -> BoolArray:
    """Tell where a louder level is well within what the first one past a limit is past.

    That level must not be past the other limit, if there are two.
    """
    past = np.array([one > 0.0 for one in over.values()])  # NaN is not past
    within = np.array([one <= -CONTRADICTS_DB[name] for name, one in over.items()])
    any_past = np.any(past, axis=0)
    first = np.argmax(any_past, axis=0)
    columns = np.arange(past.shape[2])
    passed = past[:, first, columns]
    louder = np.arange(past.shape[1])[:, None] > first
    clean = np.all(within | ~passed[:, None, :], axis=0) & ~any_past
    return np.asarray(np.any(louder & clean, axis=0) & np.any(any_past, axis=0))


def _level_at(drive: FloatArray, level_db: FloatArray, at: FloatArray) -> FloatArray:
    """Return the level at a drive for each frequency, linear between the levels known."""
    above = np.clip(np.searchsorted(drive, at), 1, max(len(drive) - 1, 1))
    columns = np.arange(level_db.shape[1])
    if len(drive) == 1:
        return np.where(np.isnan(at), np.nan, level_db[0])
    low, high = level_db[above - 1, columns], level_db[above, columns]
    share = (at - drive[above - 1]) / (drive[above] - drive[above - 1])
    levels = low + share * (high - low)
    for f in np.flatnonzero(np.isnan(levels) & np.isfinite(at)):
        held = np.isfinite(level_db[:, f])
        if np.any(held):
            levels[f] = np.interp(at[f], drive[held], level_db[held, f])
    return np.asarray(levels)
