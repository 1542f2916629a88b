"""What filters cost and give, in sentences: headroom first, then distortion where it is taken."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.comparison.filters.names import level_text, subject_of
from distsweep.comparison.filters.record import AtLevel, Curve, Filter, Filtered, FilteredTake
from distsweep.comparison.record import Finding
from distsweep.units import BoolArray, FloatArray, db_to_percent, db_to_power, power_to_db
from distsweep.words.wording import (
    decibels,
    frequency,
    frequency_range,
    known_percent,
    signed,
)

LEAST_DB = 0.5
"""Changes of headroom below this are not worth a sentence (chosen: a tenth of what a filter that is
heard well does)."""

NEARLY = 0.8
"""Where the headroom changes by this share of its most, the place with the least headroom left is
named (chosen: below a loudspeaker's band a shelf takes most, and nobody misses it there)."""

FAR_BELOW_DB = 10.0
"""Frequencies at which the loudspeaker gives so much less than over the level band are left out
(chosen: as a loudspeaker's range is usually stated)."""

KNOWN_DB = 3.0
"""Headroom that may be less by more than this does not say where least is left (chosen: twice what
counts as reliable; hum in one rung lets a gain cross a limit at any drive)."""

BAND_OCTAVES = 1.0 / 3.0
"""Width of the band that THD is averaged over (chosen: as averages of THD elsewhere)."""

DOUBLES, HALVES = (1.8, 2.2), (0.45, 0.55)
"""Ratios that are called so (chosen: as near as a second digit)."""

UNCHANGED_DB = 1.0
"""A change of THD that is smaller is not spoken of (chosen: 12 %)."""


def findings_of(filters: Sequence[Filter], take: FilteredTake) -> list[Finding]:
    """Return one or two findings a filter, the largest cost first, and one of all together last."""
    together = [one for one in take.filtered if len(one.filters) > 1]
    alone = [
        found
        for one in take.filtered
        if len(one.filters) == 1
        for found in _findings(
            take, one, subject_of(filters[one.filters[0]], alone=len(filters) == 1)
        )
    ]
    alone.sort(key=lambda found: found.difference_db or 0.0)
    whole = [f for one in together for f in _findings(take, one, "All filters together")]
    return [*alone, *whole]


def _findings(take: FilteredTake, one: Filtered, subject: str) -> list[Finding]:
    """Return what one set of filters takes, and what it gives, at the loudest level known."""
    source = take.filtered.index(one) + 1
    known = [
        at
        for at in one.at_levels
        if at.filtered_drive_dbfs is not None and at.drive_dbfs is not None
    ]
    if not known:
        return [_unknown(subject, one, source, take.position)]
    at = known[-1]
    change = _change(at, one)
    used = _used(at)
    found = []
    for sign in (-1.0, 1.0):
        largest = float(np.max(sign * change[used]))
        if largest >= LEAST_DB:
            place = _place(take, at, used & (sign * change >= NEARLY * largest))
            found.append(_finding(take, at, change, place, subject, source))
    if not found:
        found.append(_nothing(subject, at, change, source, take))
    return found


def _change(at: AtLevel, one: Filtered) -> FloatArray:
    """Return the change of headroom, which is that of every limit, ``(F,)``."""
    assert at.drive_dbfs is not None and at.filtered_drive_dbfs is not None
    return np.asarray(at.drive_dbfs - at.filtered_drive_dbfs - one.gain_db)


def _used(at: AtLevel) -> BoolArray:
    """Return where the loudspeaker gives its sound, ``(F,)``; everywhere if that is not known.

    Where a filter takes the sound away, the headroom that it gives is worth nothing.
    """
    assert at.drive_dbfs is not None
    without = at.fundamental_db.values
    heard = without + np.minimum(at.drive_at_dbfs - at.drive_dbfs, 0.0)
    with np.errstate(invalid="ignore"):
        used = heard >= at.level_db - FAR_BELOW_DB
    return used if used.any() else np.ones(len(used), dtype=bool)


@dataclass(frozen=True)
class _Place:
    """Where a finding stands: a place of the grid, and the band around it."""

    index: int
    band: BoolArray


def _place(take: FilteredTake, at: AtLevel, flags: BoolArray) -> _Place:
    """Return the place with the least headroom left among those flagged, else their middle."""
    left = [
        np.where(flags & known(room.filtered_db), room.filtered_db.values, np.inf)
        for room in at.headroom
    ]
    least = np.min(left, axis=0) if left else np.full(len(flags), np.inf)
    if np.isfinite(least).any():
        index = int(np.argmin(least))
    else:
        there = np.flatnonzero(flags)
        index = int(there[len(there) // 2])
    return _Place(index, _around(take.frequency_hz, index))


def known(headroom: Curve) -> BoolArray:
    """Tell where headroom is known well enough to say where least is left, ``(F,)``."""
    with np.errstate(invalid="ignore"):
        return np.asarray(headroom.values - headroom.low <= KNOWN_DB)


def _around(grid_hz: FloatArray, index: int) -> BoolArray:
    away = np.abs(np.log2(grid_hz / grid_hz[index]))
    return np.asarray(away <= BAND_OCTAVES / 2.0)


def _finding(
    take: FilteredTake,
    at: AtLevel,
    change: FloatArray,
    place: _Place,
    subject: str,
    source: int,
) -> Finding:
    size = float(change[place.index])
    where = frequency(float(take.frequency_hz[place.index]))
    plural = subject.startswith("All")
    verb = ("take" if plural else "takes") if size < 0.0 else ("give" if plural else "gives")
    thd = _thd_words(at, place, plural=plural)
    sentence = (
        f"{subject} {verb} {decibels(abs(size))} of headroom at {where}"
        f"{'' if thd is None else f', and {thd}'} at {level_text(at)}{_left(at, place.index)}."
    )
    sentence += _beyond(at, place, take)
    spare = _drive_spare(at)
    here_hz = float(take.frequency_hz[place.index])
    return Finding(
        sentence=sentence,
        quantity="headroom",
        low_hz=here_hz,
        high_hz=here_hz,
        difference_db=size,
        low_db=size - spare[0],
        high_db=size + spare[1],
        position=take.position,
        source=source,
    )


def _left(at: AtLevel, index: int) -> str:
    """Say how much headroom is left to the nearest limit at a place; nothing if none is known."""
    nearest = min(
        (room for room in at.headroom
         if known(room.filtered_db)[index] and np.isfinite(room.filtered_db.high[index])),
        key=lambda room: float(room.filtered_db.values[index]),
        default=None,
    )  # fmt: skip
    if nearest is None:
        return ""
    left, before = (
        float(curve.values[index]) for curve in (nearest.filtered_db, nearest.without_db)
    )
    limit = f"the {nearest.limit.replace('clean level, ', 'clean level of ')}"
    if left < 0.0:
        return f", past {limit} by {decibels(-left)}: {signed(before)} dB were left without"
    return f": {decibels(left)} instead of {decibels(before)} are left to {limit}"


def _drive_spare(at: AtLevel) -> tuple[float, float]:
    """Return how far a change of headroom may lie below and above what is stated."""
    drive = at.filtered_drive_dbfs
    low, high = at.filtered_drive_low_dbfs, at.filtered_drive_high_dbfs
    assert drive is not None
    return (
        0.0 if high is None else max(high - drive, 0.0),
        0.0 if low is None else max(drive - low, 0.0),
    )


def _thd_words(at: AtLevel, place: _Place, *, plural: bool) -> str | None:
    """Say what becomes of THD around a place; None where it hardly changes, or is not known."""
    before, after = (_mean(one, place.band) for one in (at.thd_db, at.filtered_thd_db))
    if before is None or after is None:
        return None
    change_db = after[0] - before[0]
    apart = after[1] > before[2] or after[2] < before[1]
    if abs(change_db) < UNCHANGED_DB or not apart:
        return None
    ends = [known_percent(*(float(db_to_percent(part)) for part in one)) for one in (before, after)]
    ratio = 10.0 ** (change_db / 20.0)
    verb = "raise" if change_db > 0.0 else "lower"
    for name, (low, high) in (("double", DOUBLES), ("halve", HALVES)):
        if low <= ratio <= high:
            verb = name
    return f"{verb}{'' if plural else 's'} THD there from {ends[0]} to {ends[1]}"


def _mean(curve: Curve, band: BoolArray) -> tuple[float, float, float] | None:
    """Return a band's power mean with its ends; None where a tenth of it is not known."""
    known = band & np.isfinite(curve.values) & np.isfinite(curve.high)
    if np.sum(known) < 0.9 * np.sum(band):
        return None
    with np.errstate(invalid="ignore"):
        value, low, high = (
            float(power_to_db(np.mean(db_to_power(part[known]))))
            for part in (curve.values, curve.low, curve.high)
        )
    return value, low, high


def _beyond(at: AtLevel, place: _Place, take: FilteredTake) -> str:
    """Say that the drive at a place was not played."""
    here = float(take.frequency_hz[place.index])
    for low_hz, high_hz in at.above_hz:
        if low_hz <= here <= high_hz:
            span = frequency_range(low_hz, high_hz)
            return f" From {span} that is more drive than was played."
    return ""


def _nothing(
    subject: str, at: AtLevel, change: FloatArray, source: int, take: FilteredTake
) -> Finding:
    """Say that headroom hardly changes where the loudspeaker gives its sound."""
    used = _used(at)
    most = float(change[used][int(np.argmax(np.abs(change[used])))])
    ends = float(take.frequency_hz[used][0]), float(take.frequency_hz[used][-1])
    plural = subject.startswith("All")
    return Finding(
        f"{subject} change{'' if plural else 's'} headroom by less than {decibels(LEAST_DB)} from"
        f" {frequency_range(*ends)} at {level_text(at)}.",
        "headroom", *ends, most, None, None, position=take.position, source=source,
    )  # fmt: skip


def _unknown(subject: str, one: Filtered, source: int, position: str) -> Finding:
    """Say why nothing is told: no level is known, or none of those asked for was played."""
    if not one.at_levels:
        why = "no level over the level band is known, and headroom cannot be told"
    else:
        at = one.at_levels[0]
        level = level_text(at)
        why = f"{level} was not played"
        if at.drive_dbfs is not None:
            asks = "they ask" if subject.startswith("All") else "it asks"
            why = f"at {level} {asks} for more than was played"
        why += ", and nothing can be told of that level"
    return Finding(
        f"{subject}: {why}.",
        "headroom", None, None, None, None, None, position=position, source=source,
    )  # fmt: skip
