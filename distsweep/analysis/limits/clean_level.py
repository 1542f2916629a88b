"""The highest level that still keeps within a limit of distortion, of compression, or both.

One rule. Of each level played it is known that it keeps *within* a limit (noise surely leaves no
room for more), that it is *past* it, or neither. The clean level lies between the highest level
known within, below the lowest known past, and that one. It is stated where what noise and the
wide steps of a ladder leave open is narrow enough; elsewhere those two are its ends.

How a quantity runs between two levels played is not known. A straight line is one guess; those
through the step before and the step after, carried on, are others, and where they disagree with
the first there is a bend. A compression, besides, grows by no more than the drive does, as the
output of a loudspeaker that is driven harder does not fall, nor does it shrink.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from distsweep.analysis.noise.certainty import Bounded
from distsweep.results import CleanLevel
from distsweep.units import BoolArray, FloatArray, IntArray, percent_to_db

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

STATED_WITHIN_DB = 1.5
"""A crossing is stated where its 95 % interval reaches no farther to either side: what a value
may be off to be called reliable (contract). Nearly all are off by under 1 dB."""

SUDDEN_DB_PER_DB = 3.0
"""A quantity that rises faster from one level to the next sets in somewhere between them, and
lines tell nothing of where (chosen: mild second and third harmonics rise by 1 and 2 dB a dB)."""

CONTRADICTS_DB = {"thd": 3.0, "compression": 0.5}
"""A louder level known to be so far within a limit that a quieter one passed contradicts it
(chosen: more than harmonics that cancel each other in passing usually take from a THD, and half
the lowest limit of compression)."""


@dataclass(frozen=True)
class _Crossing:
    """Where limits are crossed going up, drives in dBFS, shape ``(F,)``.

    The crossing lies between ``low`` and ``high``; −inf and inf where that end is not known.
    ``at`` is the place between them that is most likely, inf where none is.
    """

    low: FloatArray
    at: FloatArray
    high: FloatArray

    def stated(self) -> BoolArray:
        """Tell where the place is known well enough."""
        with np.errstate(invalid="ignore"):
            before, after = self.at - self.low, self.high - self.at
        return np.asarray((before <= STATED_WITHIN_DB) & (after <= STATED_WITHIN_DB))


@dataclass(frozen=True)
class _Limit:
    """One limit: how far the quantity it is of lies above it, and where that is crossed."""

    name: str
    over: Bounded
    crossing: _Crossing


_ENDS = ("low", "at", "high")


def find_clean_levels(
    frequency_hz: FloatArray,
    drive_dbfs: FloatArray,
    level_db: FloatArray,
    thd: Bounded,
    loss: Bounded,
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
        place = _Place.of(drive_dbfs, limits)
        found.append(
            CleanLevel(
                thd_percent=np.nan if thd_percent is None else thd_percent,
                compression_db=compression_db,
                frequency_hz=frequency_hz,
                level_db=_level_at(drive_dbfs, level_db, place.at),
                low_db=_level_at(drive_dbfs, level_db, place.low),
                high_db=_level_at(drive_dbfs, level_db, place.high),
                drive_dbfs=place.at,
                drive_low_dbfs=place.low,
                drive_high_dbfs=place.high,
                state=place.state.tolist(),
                limited_by=place.limited_by.tolist(),
            )
        )
    return found


def _limit(name: str, drive: FloatArray, over: Bounded) -> _Limit:
    crossing = _crossing(drive, over, follows_drive=name == "compression")
    return _Limit(name, over, crossing)


@dataclass(frozen=True, eq=False)
class _Place:
    """Where the first of some limits is crossed, NaN where it is not known, shape ``(F,)``."""

    at: FloatArray
    low: FloatArray
    high: FloatArray
    state: StringArray
    limited_by: StringArray

    @classmethod
    def of(cls, drive: FloatArray, limits: list[_Limit]) -> _Place:
        crossings = [one.crossing for one in limits]
        first = _Crossing(*(np.min([getattr(c, end) for c in crossings], axis=0) for end in _ENDS))
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
        limited = np.isin(state, ["reached", "bracketed", "below"])
        return cls(
            at=np.select(
                [state == "reached", state == "not reached"], [first.at, first.low], np.nan
            ),
            low=np.where(low_known & ~contradicted, first.low, np.nan),
            high=np.where(high_known & ~contradicted, first.high, np.nan),
            state=state,
            limited_by=np.where(limited, _limited_by(limits, first), ""),
        )


def _crossing(drive: FloatArray, over: Bounded, *, follows_drive: bool) -> _Crossing:
    """Place the crossing of one limit; ``over`` is above zero past it."""
    past, within = over.least_db > 0.0, over.most_db <= 0.0
    rungs = np.arange(len(drive))[:, None]
    first_past = np.where(np.any(past, axis=0), np.argmax(past, axis=0), len(drive))
    below = within & (rungs < first_past)
    highest = len(drive) - 1 - np.argmax(below[::-1], axis=0)
    last_within = np.where(np.any(below, axis=0), highest, -1)
    padded = np.concatenate([[-np.inf], drive, [np.inf]])
    low, high = padded[last_within + 1], padded[first_past + 1]
    between = (last_within, first_past)
    # Of the levels in between, which are neither surely within nor surely past, the 95 % ends help.
    skipped = first_past - last_within > 1
    earliest = _crossed(drive, over.high_db, between).upper
    latest = _crossed(drive, over.low_db, between).upper
    low = np.where(skipped & (earliest > 0), drive[earliest - 1], low)
    high = np.where(skipped & (latest > 0), drive[latest], high)
    likely = _likely(drive, over, between, follows_drive=follows_drive)
    stated = likely.stated()
    return _Crossing(
        low=np.where(stated, likely.low, low),
        at=np.where(stated, likely.at, np.inf),
        high=np.where(stated, likely.high, high),
    )


def _likely(
    drive: FloatArray, over: Bounded, between: tuple[IntArray, IntArray], *, follows_drive: bool
) -> _Crossing:
    """Return where the limit may be crossed, in 95 % of what noise may do; NaN where nowhere.

    The noises of the rungs are independent: what each does to the crossing adds as squares.
    """
    last_within, first_past = between
    # Where the noise taken off leaves nothing, the value is not known, and no line begins there.
    value = np.where(np.isinf(over.value_db), np.nan, over.value_db)
    straight = _crossed(drive, value, between)
    reach = []
    for ends, sign in ((over.high_db, -1.0), (over.low_db, 1.0)):
        squares = np.zeros_like(straight.at)
        for rung in range(len(drive)):
            # Only the rungs from the last within to the first past make the line.
            f = np.flatnonzero((rung >= last_within) & (rung <= first_past) & (straight.upper > 0))
            values = value[:, f]
            values[rung] = ends[rung, f]
            place = _crossed(drive, values, (last_within[f], first_past[f])).at
            moved = sign * (place - straight.at[f])
            squares[f] += np.where(moved > 0.0, moved, 0.0) ** 2
        reach.append(np.sqrt(squares))
    low, high = _bent(drive, value, straight, follows_drive=follows_drive)
    return _Crossing(low - reach[0], 0.5 * (low + high), high + reach[1])


@dataclass(frozen=True)
class _Straight:
    """A crossing by straight lines: its drive, NaN where there is none, and the rung above it."""

    at: FloatArray
    upper: IntArray


def _crossed(drive: FloatArray, over: FloatArray, between: tuple[IntArray, IntArray]) -> _Straight:
    """Return the first crossing between two rungs of each frequency.

    From a bound of nothing at all (−inf) the line rises at its upper end; to no bound (inf), at
    its lower end. NaN crosses nothing.
    """
    last_within, first_past = between
    at = np.full(over.shape[1], np.nan)
    rung = np.zeros(over.shape[1], dtype=int)
    for upper in range(1, len(drive)):
        before, after = over[upper - 1], over[upper]
        here = (rung == 0) & (upper > last_within) & (upper <= first_past)
        here &= (last_within >= 0) & (first_past < len(drive)) & (before <= 0.0) & (after > 0.0)
        with np.errstate(invalid="ignore", divide="ignore"):
            share = np.where(np.isinf(after), 0.0, -before / (after - before))
        share = np.where(np.isneginf(before), 1.0, share)[here]
        at[here] = drive[upper - 1] + share * (drive[upper] - drive[upper - 1])
        rung[here] = upper
    return _Straight(at, rung)


def _bent(
    drive: FloatArray, value: FloatArray, straight: _Straight, *, follows_drive: bool
) -> tuple[FloatArray, FloatArray]:
    """Return between which drives the crossing lies, whatever the curve does inside its step.

    Lines through the steps before and after, carried on, cross elsewhere by as much as the
    curve is bent; one that is not known is taken to be as far off as the other, and without
    either the whole step is left. ``follows_drive``: the quantity grows by no more than the drive.
    """
    upper = straight.upper
    columns, held = np.arange(value.shape[1]), upper > 0
    low, high = drive[np.maximum(upper - 1, 0)], drive[upper]
    offsets = []
    for one, other in ((upper - 2, upper - 1), (upper, upper + 1)):
        inside = held & (one >= 0) & (other < len(drive))
        i, j = np.where(inside, one, 0), np.where(inside, other, 0)
        with np.errstate(invalid="ignore", divide="ignore"):
            slope = (value[j, columns] - value[i, columns]) / (drive[j] - drive[i])
            near = np.where(one < upper - 1, j, i)  # the rung at the step's own end
            place = drive[near] - value[near, columns] / slope
            # A line that does not rise never crosses going up, or did long before.
            flat = high if one is not upper else low
            place = np.where(slope > 0.0, np.clip(place, low, high), flat)
        offsets.append(np.where(inside & np.isfinite(slope), place - straight.at, np.nan))
    before, after = offsets
    both = np.isfinite(before) & np.isfinite(after)
    lone = np.abs(np.fmax(before, after))
    down = np.where(both, np.minimum(0.0, np.minimum(before, after)), -lone)
    up = np.where(both, np.maximum(0.0, np.maximum(before, after)), lone)
    first = np.where(np.isnan(down), low, np.maximum(low, straight.at + down))
    last = np.where(np.isnan(up), high, np.minimum(high, straight.at + up))
    if follows_drive:
        below, above = value[np.maximum(upper - 1, 0), columns], value[upper, columns]
        later, sooner = np.maximum(first, low - below), np.minimum(last, high - above)
        holds = later <= sooner  # an output that falls while the drive rises is none of these
        first, last = np.where(holds, later, first), np.where(holds, sooner, last)
    rise = value[upper, columns] - value[np.maximum(upper - 1, 0), columns]
    with np.errstate(invalid="ignore"):
        sudden = rise > SUDDEN_DB_PER_DB * (high - low)
    first, last = np.where(sudden, low, first), np.where(sudden, high, last)
    nowhere = ~held
    first[nowhere], last[nowhere] = np.nan, np.nan
    return first, last


def _limited_by(limits: list[_Limit], first: _Crossing) -> StringArray:
    """Name the limit that comes first: the one stated first, or surely crossed before the other."""
    named = np.full(first.low.shape, "", dtype="<U11")
    for limit in limits:
        one = limit.crossing
        others = [other.crossing for other in limits if other is not limit]
        surely = np.all([one.high <= c.low for c in others], axis=0) if others else True
        told = [np.isfinite(c.at) | (c.low >= one.at) for c in others]
        stated = first.stated() & (one.at == first.at) & np.all(told, axis=0)
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
