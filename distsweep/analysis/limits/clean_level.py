"""The highest level that still keeps within a limit of distortion, of compression, or both.

One rule. Of each level played it is known that it keeps *within* a limit (noise surely leaves no
room for more), that it is *past* it, or neither. The clean level lies between the highest level
known within, below the lowest known past, and that one. It is stated where what noise and the
wide steps of a ladder leave open is narrow enough; elsewhere those two are its ends.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from distsweep.analysis.limits.crossing import Crossing, find_crossing
from distsweep.analysis.limits.estimate import Estimate
from distsweep.results import CleanLevel
from distsweep.units import BoolArray, FloatArray, percent_to_db

StringArray = NDArray[np.str_]

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
"""Limits of THD in percent and of compression in dB, one or both, whichever comes first (chosen:
what people ask for; strict, usual and lenient)."""

CONTRADICTS_DB = {"thd": 3.0, "compression": 0.5}
"""A louder level known to be so far within a limit that a quieter one passed contradicts it
(chosen: more than harmonics that cancel each other in passing usually take from a THD, and half
the lowest limit of compression)."""


@dataclass(frozen=True)
class _Limit:
    """One limit: how far the quantity it is of lies above it, and where that is crossed."""

    name: str
    over: Estimate
    crossing: Crossing


_ENDS = ("low", "at", "high")


def find_clean_levels(
    frequency_hz: FloatArray,
    drive_dbfs: FloatArray,
    level_db: FloatArray,
    thd: Estimate,
    loss: Estimate,
) -> list[CleanLevel]:
    """Find where each limit is crossed, going up.

    Parameters
    ----------
    frequency_hz : shape ``(F,)``.
    drive_dbfs : rising, shape ``(R,)``.
    level_db : output, shape ``(R, F)``.
    thd : re the fundamental, dB, shape ``(R, F)``; exactly −inf at frequencies that have no
        harmonic inside the band. There a limit of THD alone is unknown, and of two limits the
        other is left.
    loss : compression, the negative gain change, dB, shape ``(R, F)``.

    Returns
    -------
    One for each of ``LIMITS``. Between a level known within a limit and one known past it the
    crossing is stated as the middle of where it may lie, if that is narrow, and the level is linear
    there. Nothing is extrapolated. Where a louder level is known to keep well within a limit that a
    quieter one is known to be past, there was a noise in one rung, or products cancel: nothing is
    stated, and ``state`` says "contradicted". ``low`` and ``high`` of a level that is reached are
    what noise (95 %) and a bend between the levels played leave open; of all others, the levels
    played between which it lies, nearer where the undecided ones between them help. Where they are
    more than a step of the ladder apart the state is "unknown", and they are given all the same.
    """
    quantities = {"thd": thd, "compression": loss}
    parts: dict[tuple[str, float], _Limit] = {}
    found = []
    for thd_percent, compression_db in LIMITS:
        limits = []
        for name, limit in (("thd", thd_percent), ("compression", compression_db)):
            if limit is None:
                continue
            if (name, limit) not in parts:
                limit_db = float(percent_to_db(limit)) if name == "thd" else limit
                parts[name, limit] = _limit(name, drive_dbfs, quantities[name].above(limit_db))
            limits.append(parts[name, limit])
        found.append(
            _clean_level(
                frequency_hz, drive_dbfs, level_db, limits,
                thd_percent=np.nan if thd_percent is None else thd_percent,
                compression_db=compression_db,
            )
        )  # fmt: skip
    return found


def _limit(name: str, drive: FloatArray, over: Estimate) -> _Limit:
    crossing = find_crossing(drive, over, follows_drive=name == "compression")
    return _Limit(name, over, crossing)


def _clean_level(
    frequency_hz: FloatArray,
    drive: FloatArray,
    level_db: FloatArray,
    limits: list[_Limit],
    *,
    thd_percent: float,
    compression_db: float | None,
) -> CleanLevel:
    """Describe where the first of some limits is crossed."""
    crossings = [one.crossing for one in limits]
    first = Crossing(*(np.min([getattr(c, end) for c in crossings], axis=0) for end in _ENDS))
    if len(limits) == 1:
        # With no harmonic inside the band THD has no limit to keep.
        nothing = np.all(np.isneginf(limits[0].over.most_db), axis=0)
        first = replace(first, low=np.where(nothing, -np.inf, first.low))
    low_known, high_known = np.isfinite(first.low), np.isfinite(first.high)
    both, stated = low_known & high_known, first.stated()
    with np.errstate(invalid="ignore"):
        wide = first.high - first.low > float(np.max(np.diff(drive), initial=0.0)) + 1e-6
    contradicted = _contradicted(limits)
    state = np.select(
        [contradicted, both & stated, both & ~wide, both, low_known, high_known],
        ["contradicted", "reached", "bracketed", "unknown", "not reached", "below"],
        "unknown",
    )
    at = np.select([state == "reached", state == "not reached"], [first.at, first.low], np.nan)
    low = np.where(low_known & ~contradicted, first.low, np.nan)
    high = np.where(high_known & ~contradicted, first.high, np.nan)
    limited = np.isin(state, ["reached", "bracketed", "below"])
    return CleanLevel(
        thd_percent=thd_percent,
        compression_db=compression_db,
        frequency_hz=frequency_hz,
        level_db=_level_at(drive, level_db, at),
        low_db=_level_at(drive, level_db, low),
        high_db=_level_at(drive, level_db, high),
        drive_dbfs=at,
        drive_low_dbfs=low,
        drive_high_dbfs=high,
        state=state.tolist(),
        limited_by=np.where(limited, _limited_by(limits, first), "").tolist(),
    )


def _limited_by(limits: list[_Limit], first: Crossing) -> StringArray:
    """Name the limit that comes first: the one stated first, or surely crossed before the other."""
    named = np.full(first.low.shape, "", dtype="<U11")
    for limit in limits:
        one = limit.crossing
        others = [other.crossing for other in limits if other is not limit]
        surely = np.all([one.high <= c.low for c in others], axis=0) if others else True
        not_before = [np.isfinite(c.at) | (c.low >= one.at) for c in others]
        stated = first.stated() & (one.at == first.at) & np.all(not_before, axis=0)
        named[np.isfinite(one.high) & (surely | stated)] = limit.name
    return named


def _contradicted(limits: list[_Limit]) -> BoolArray:
    """Tell where a louder level is known well within what the first one past a limit is past.

    That level must not be past the other limit, if there are two.
    """
    past = np.array([one.over.least_db > 0.0 for one in limits])
    within = np.array([one.over.most_db <= -CONTRADICTS_DB[one.name] for one in limits])
    any_past = np.any(past, axis=0)
    first = np.argmax(any_past, axis=0)
    columns = np.arange(past.shape[2])
    passed = past[:, first, columns]
    louder = np.arange(past.shape[1])[:, None] > first
    clean = np.all(within | ~passed[:, None, :], axis=0) & ~any_past
    return np.asarray(np.any(louder & clean, axis=0) & np.any(any_past, axis=0))


def _level_at(drive: FloatArray, level_db: FloatArray, at: FloatArray) -> FloatArray:
    """Return the level at a drive for each frequency, linear between the levels known."""
    columns = np.arange(len(at))
    above = np.clip(np.searchsorted(drive, at), min(1, len(drive) - 1), len(drive) - 1)
    below = np.maximum(above - 1, 0)
    low_db, high_db = level_db[below, columns], level_db[above, columns]
    step = np.where(above > below, drive[above] - drive[below], 1.0)
    levels = low_db + (at - drive[below]) / step * (high_db - low_db)
    for f in np.flatnonzero(np.isfinite(at) & np.isnan(levels)):
        held = np.isfinite(level_db[:, f])
        if np.any(held):
            levels[f] = np.interp(at[f], drive[held], level_db[held, f])
    return np.asarray(levels)
