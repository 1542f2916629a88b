"""Gain change between rungs, and the drive from which the output stops following."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.noise.interval import errors_of_difference
from distsweep.results import Compression, Rung, ToneLevels
from distsweep.units import BoolArray, FloatArray

ONSET_DB, ONE_DB, THREE_DB = -0.5, -1.0, -3.0
"""Gain changes whose drives are stated (contract); the first is the onset of compression."""


def gain_changes(
    fundamentals_db: Sequence[FloatArray], drives_dbfs: Sequence[float], *, reference: int | None
) -> Compression:
    """Compare every rung's gain with the reference rung's.

    Parameters
    ----------
    fundamentals_db : output level of each rung, each of shape ``(F,)``.
    drives_dbfs : drive of each rung, rising.
    reference : index of the rung compared with; None when no rung is reliable, and every
        number then is NaN.

    Returns
    -------
    Gain change = (output − drive) − the same at the reference rung, in dB, and the drives at
    which it first reaches −0.5, −1 and −3 dB, interpolated between rungs; NaN where it was
    not reached. Rungs below the reference take no part in these.
    """
    levels = np.asarray(fundamentals_db)
    drives = np.asarray(drives_dbfs, dtype=float)
    if reference is None:
        change = np.full_like(levels, np.nan)
        considered = slice(0, len(drives))
    else:
        gain = levels - drives[:, None]
        change = gain - gain[reference]
        considered = slice(reference, len(drives))
    at = [
        first_crossing(drives[considered], change[considered], limit)
        for limit in (ONSET_DB, ONE_DB, THREE_DB)
    ]
    return Compression(
        reference_drive_dbfs=None if reference is None else float(drives[reference]),
        gain_change_db=list(change),
        onset_dbfs=at[0],
        drive_at_1db_dbfs=at[1],
        drive_at_3db_dbfs=at[2],
    )


def with_ends(
    compression: Compression, rungs: Sequence[Rung], *, reference: int | None
) -> Compression:
    """Give gain changes the ends of their intervals; NaN where nothing is compared with."""
    change = np.array(compression.gain_change_db)
    low, high = change, change
    if reference is not None:
        low, high = ends_of_change(
            change,
            np.array([rung.fundamental_db for rung in rungs]),
            np.array([rung.fundamental_low_db for rung in rungs]),
            np.array([rung.fundamental_high_db for rung in rungs]),
            reference=reference,
        )
    return replace(compression, gain_change_low_db=list(low), gain_change_high_db=list(high))


def tone_with_ends(levels: ToneLevels) -> ToneLevels:
    """Give a tone's gain changes the ends of their intervals, as `with_ends` does a ladder's.

    They are those of ``level_db``, which must have its own; NaN where there is no gain change.
    """
    low = high = levels.gain_change_db
    known = np.flatnonzero(np.isfinite(low))
    if len(known):
        low, high = ends_of_change(
            levels.gain_change_db,
            levels.level_db,
            levels.level_low_db,
            levels.level_high_db,
            reference=int(known[0]),  # it is the quietest that is reliable
        )
    return replace(levels, gain_change_low_db=low, gain_change_high_db=high)


def ends_of_change(
    change_db: FloatArray,
    level_db: FloatArray,
    low_db: FloatArray,
    high_db: FloatArray,
    *,
    reference: int,
) -> tuple[FloatArray, FloatArray]:
    """Return the ends of gain changes, from the levels' that they come from, shape ``(R, …)`` each.

    The reference's own change is nothing, exactly.
    """
    parts = level_db, low_db, high_db
    down, up = errors_of_difference(parts, [part[reference] for part in parts])
    down[reference], up[reference] = 0.0, 0.0
    return change_db - down, change_db + up


def first_crossing(drives_dbfs: FloatArray, change_db: FloatArray, limit_db: float) -> FloatArray:
    """Return the drive at which the change first falls to a limit, linear between rungs.

    ``drives_dbfs`` has shape ``(R,)``, ``change_db`` ``(R, F)``; NaN where it never does.
    """
    crossing = np.full(change_db.shape[1], np.nan)
    for lower in range(len(drives_dbfs) - 1):
        before, after = change_db[lower], change_db[lower + 1]
        here = np.isnan(crossing) & (before > limit_db) & (after <= limit_db)
        share = (before[here] - limit_db) / (before[here] - after[here])
        step = drives_dbfs[lower + 1] - drives_dbfs[lower]
        crossing[here] = drives_dbfs[lower] + share * step
    return crossing


@dataclass(frozen=True, eq=False)
class ToneGainChange:
    """Gain change of one tone, shape ``(L,)``, and the drives at which it passes limits.

    ``difference_db`` is the way down minus the way up where they differ most. What is not known
    is NaN in the array, None elsewhere.
    """

    gain_change_db: FloatArray
    reference_drive_dbfs: float | None = None
    onset_dbfs: float | None = None
    drive_at_1db_dbfs: float | None = None
    drive_at_3db_dbfs: float | None = None
    difference_db: float | None = None


def gain_change_of_tone(
    drive_dbfs: FloatArray, level_db: FloatArray, falling_level_db: FloatArray, reliable: BoolArray
) -> ToneGainChange:
    """Compare a tone's gain at each level with that at the quietest reliable one.

    Parameters
    ----------
    drive_dbfs, level_db, falling_level_db, reliable : shape ``(L,)``, rising in drive; the level
        on the way up, and on the way down.
    """
    kept = np.flatnonzero(reliable)
    if len(kept) < 2:
        return ToneGainChange(np.full(len(drive_dbfs), np.nan))
    gain = np.where(reliable, level_db - drive_dbfs, np.nan)
    change_db = gain - gain[kept[0]]
    onset, at_1db, at_3db = (
        None if np.isnan(at) else at
        for limit_db in (ONSET_DB, ONE_DB, THREE_DB)
        for at in first_crossing(drive_dbfs[kept], change_db[kept, None], limit_db).tolist()
    )
    difference = np.where(reliable, falling_level_db - level_db, np.nan)
    most = None
    if np.any(np.isfinite(difference)):
        most = float(difference[np.nanargmax(np.abs(difference))])
    return ToneGainChange(change_db, float(drive_dbfs[kept[0]]), onset, at_1db, at_3db, most)
