"""Where a limit is crossed going up, between levels whose values are not exactly known.

How a quantity runs between two levels played is not known. A straight line is one guess; those
through the step before and the step after, carried on, are others, and where they disagree with
the first there is a bend. A compression, besides, grows by no more than the drive does, as the
output of a loudspeaker that is driven harder does not fall, nor does it shrink.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.analysis.limits.estimate import Estimate
from distsweep.units import BoolArray, FloatArray, IntArray

STATED_WITHIN_DB = 1.5
"""A crossing is stated where its 95 % interval reaches no farther to either side: what a value
may be off to be called reliable (contract). Nearly all are off by under 1 dB."""

SUDDEN_DB_PER_DB = 3.0
"""A quantity that rises faster from one level to the next sets in somewhere between them, and
lines tell nothing of where (chosen: mild second and third harmonics rise by 1 and 2 dB a dB)."""


@dataclass(frozen=True)
class Crossing:
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


def find_crossing(drive: FloatArray, over: Estimate, *, follows_drive: bool) -> Crossing:
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
    return Crossing(
        low=np.where(stated, likely.low, low),
        at=np.where(stated, likely.at, np.inf),
        high=np.where(stated, likely.high, high),
    )


def _likely(
    drive: FloatArray, over: Estimate, between: tuple[IntArray, IntArray], *, follows_drive: bool
) -> Crossing:
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
            if not len(f):
                continue
            values = value[:, f]
            values[rung] = ends[rung, f]
            place = _crossed(drive, values, (last_within[f], first_past[f])).at
            moved = sign * (place - straight.at[f])
            squares[f] += np.where(moved > 0.0, moved, 0.0) ** 2
        reach.append(np.sqrt(squares))
    low, high = _bent(drive, value, straight, follows_drive=follows_drive)
    return Crossing(low - reach[0], 0.5 * (low + high), high + reach[1])


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
