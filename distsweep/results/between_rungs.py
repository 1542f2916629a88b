"""Reading curves between the rungs of a ladder: where a level is reached, and what holds there.

Everything is read against the level, of the output or of the drive, which runs across the rungs.
The first step that reaches the level counts. How a curve runs inside a step is not known: the
interval holds what the steps on both sides allow.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from distsweep.results.rung_curves import Curves, Reading, known_ends
from distsweep.results.rung_step import Step, is_even, sum_db
from distsweep.units import BoolArray, FloatArray, IntArray

HARDLY_RISES_DB_PER_DB = 0.5
"""Below this rise of the output for a dB of drive many drives give a level nearly alike, and the
interval spans them (chosen: half of what an output rises that nothing holds back)."""

COUNTS_DB = -10.0
"""A harmonic that is no farther below THD at a rung counts in whether THD bends (chosen: a tenth of
the power, 0.4 dB)."""

SAME_LEVEL_DB = 0.05
"""A level that misses the lowest or the highest played by no more counts as it (chosen: levels are
asked for as whole numbers, and played as near as that)."""


class Between:
    """The place between rungs where a level is reached first, for each frequency.

    Quantities are NaN where the level is below the lowest or above the highest played, or where a
    rung beside it has no level.
    """

    def __init__(self, drive_dbfs: FloatArray, level: Curves, at: float | FloatArray) -> None:
        """Find the place.

        Parameters
        ----------
        drive_dbfs : of the rungs, rising, shape ``(R,)``.
        level : what is to reach ``at``: the output, or the drive itself; shape ``(R, F)``.
        at : the level, in its unit: one, or one a frequency, ``(F,)``; NaN is nowhere reached.
        """
        self._lone = len(drive_dbfs) == 1
        if self._lone:
            drive_dbfs, level = np.repeat(drive_dbfs, 2), level.twice()
        at = np.full(level.values.shape[1], at, dtype=float)
        found = _Place.of(drive_dbfs, level.values, at)
        down, up = (
            np.where(np.isfinite(width), np.maximum(width, 0.0), 0.0)
            for width in (
                found.between(level.values - level.low),
                found.between(level.high - level.values),
            )
        )
        moves = [by_db for by_db in (-down, up) if by_db.any()]
        self._places = [found, *(found.moved(by_db) for by_db in moves)]
        self._flat = found.flat(level, at)

    def read(self, quantity: Curves, *, may_vanish: bool = False) -> Reading:
        """Return a quantity, in dB, of shape ``(R, F)``.

        Where three neighbouring steps grow alike the interval holds what bends within their
        differences may do; elsewhere, and in a step without a neighbour, it spans both rungs.
        ``may_vanish``: products that make it may cancel between two rungs.
        """
        if self._lone:
            quantity = quantity.twice()
        reads = [place.read(quantity, may_vanish=may_vanish) for place in self._places]
        return self._joined(quantity, reads)

    def drive(self) -> Reading:
        """Return the drive that gives the level, within those played."""
        drives_dbfs = self._places[0].drive_dbfs
        across = np.ones(self._places[0].at.shape)
        read = self.read(Curves.exact(drives_dbfs[: 1 if self._lone else None, None] * across))
        low, high = (np.clip(end, drives_dbfs[0], drives_dbfs[-1]) for end in (read.low, read.high))
        return Reading(read.values, low, high, read.bends, read.rungs)

    def read_total(
        self, total: Curves, parts: Mapping[int, Curves]
    ) -> tuple[Reading, dict[int, Reading]]:
        """Return THD, and the harmonics that it is the sum of.

        Between rungs THD is what the harmonics, each read by itself, add up to, and what it differs
        from that at the rungs, where not all of them are known. Where one that counts bends, THD
        does; and as one may vanish there, THD may be as low as their low ends add up to.
        """
        stack = Curves.stacked(list(parts.values()))
        if not parts:
            return self.read(total, may_vanish=True), {}
        if self._lone:
            total, stack = total.twice(), stack.twice()
        reads = [place.read(stack, may_vanish=True) for place in self._places]
        sums = [place.read_sum(total, r) for place, r in zip(self._places, reads, strict=True)]
        joined = self._joined(stack, reads)
        harmonics = {
            order: Reading(
                joined.values[i],
                joined.low[i],
                joined.high[i],
                joined.bends[i],
                (joined.rungs[0][i], joined.rungs[1][i]),
            )
            for i, order in enumerate(parts)
        }
        return self._joined(total, sums), harmonics

    def line(self, values: FloatArray) -> FloatArray:
        """Return what runs straight from rung to rung, ``(R, F)`` to ``(F,)``."""
        return self._places[0].between(np.repeat(values, 2, axis=0) if self._lone else values)

    def both(self, flags: BoolArray) -> BoolArray:
        """Return flags of the rungs beside the place: of both, or of the one that it is at."""
        return np.asarray(self.line(flags.astype(float)) >= 1.0)

    def _joined(self, quantity: Curves, reads: Sequence[Reading]) -> Reading:
        """Join what is read at the level and at both ends of its own interval."""
        first = reads[0]
        low, high = _spanned(
            quantity,
            self._flat,
            np.fmin.reduce([one.low for one in reads]),
            np.fmax.reduce([one.high for one in reads]),
        )
        low, high = (np.where(np.isnan(first.high), np.nan, end) for end in (low, high))
        bends = np.any([one.bends for one in reads], axis=0) | np.any(self._flat, axis=0)
        return Reading(first.values, low, high, bends, first.rungs)


def _spanned(
    quantity: Curves, flat: BoolArray, low: FloatArray, high: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Widen ends to those of all the steps that ``flat`` names, shape ``(R − 1, F)``."""
    if not flat.any():
        return low, high
    lows, highs = known_ends(quantity.low, quantity.high)
    steps_low = np.where(flat, np.minimum(lows[..., :-1, :], lows[..., 1:, :]), np.inf)
    steps_high = np.where(flat, np.maximum(highs[..., :-1, :], highs[..., 1:, :]), -np.inf)
    return (
        np.fmin(low, np.fmin.reduce(steps_low, axis=-2)),
        np.fmax(high, np.fmax.reduce(steps_high, axis=-2)),
    )


@dataclass(frozen=True)
class _Place:
    """Where a level is reached: ``upper`` is the rung above, ``(F,)``, 0 where it is not."""

    drive_dbfs: FloatArray
    level: FloatArray
    at: FloatArray
    upper: IntArray

    @classmethod
    def of(cls, drive_dbfs: FloatArray, level: FloatArray, at: FloatArray) -> _Place:
        """Find the first step that reaches a level, ``(F,)``, from below."""
        lowest, highest = level[0], np.fmax.reduce(level)
        at = np.where(np.abs(at - highest) <= SAME_LEVEL_DB, np.minimum(at, highest), at)
        at = np.where(np.abs(at - lowest) <= SAME_LEVEL_DB, np.maximum(at, lowest), at)
        with np.errstate(invalid="ignore"):
            reaches = (level[:-1] <= at) & (at <= level[1:])
            reaches &= ~(lowest > at)
        return cls(
            drive_dbfs, level, at, np.where(reaches.any(axis=0), np.argmax(reaches, axis=0) + 1, 0)
        )

    def moved(self, by_db: FloatArray) -> _Place:
        """Return the place of another level, no farther than what was played reaches.

        What passes the end of the step by `SAME_LEVEL_DB` or less stays in it.
        """
        rungs = self._rung(self.level, 0), self._rung(self.level, -1)
        at = self.at + by_db
        for end in rungs:
            near = np.abs(at - end) <= SAME_LEVEL_DB
            at = np.where(near, np.clip(at, rungs[1], rungs[0]), at)
        at = np.clip(at, self.level[0], np.fmax.reduce(self.level))
        return _Place.of(self.drive_dbfs, self.level, at)

    def _rung(self, quantity: FloatArray, offset: int) -> FloatArray:
        """Return a quantity ``offset`` rungs from the upper one; NaN where there is none.

        ``(…, R, F)`` becomes ``(…, F)``.
        """
        row = self.upper + offset
        there = (self.upper > 0) & (row >= 0) & (row < quantity.shape[-2])
        columns = np.arange(quantity.shape[-1])
        return np.where(there, quantity[..., np.where(there, row, 0), columns], np.nan)

    @cached_property
    def share(self) -> FloatArray:
        """How far from the lower rung to the upper one the level lies, by level."""
        below, above = self._rung(self.level, -1), self._rung(self.level, 0)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(above > below, (self.at - below) / (above - below), 0.0)

    def between(self, quantity: FloatArray) -> FloatArray:
        """Return the straight line through both rungs."""
        return self._straight(self._rung(quantity, -1), self._rung(quantity, 0))

    def flat(self, level: Curves, at: FloatArray) -> BoolArray:
        """Tell which steps hold drives that fit the level, where it hardly rises, ``(R − 1, F)``.

        A step fits where the level lies between the least and the most that it may give.
        """
        drives = np.broadcast_to(self.drive_dbfs[:, None], self.level.shape)
        rise = self._rung(self.level, 0) - self._rung(self.level, -1)
        step = self._rung(drives, 0) - self._rung(drives, -1)
        with np.errstate(invalid="ignore"):
            hardly = rise < HARDLY_RISES_DB_PER_DB * step
            fits = np.minimum(level.low[:-1], level.low[1:]) <= at
            fits &= at <= np.maximum(level.high[:-1], level.high[1:])
        return np.asarray(fits & hardly)

    def read(self, quantity: Curves, *, may_vanish: bool) -> Reading:
        """Return a quantity at the level with what it lies between, ``(F,)``."""
        step = self._step(quantity.values)
        floor = step.lowest() if may_vanish else np.full(self.at.shape, np.inf)
        return self._reading(quantity, step, None, np.zeros(self.at.shape, dtype=bool), floor)

    def read_sum(self, total: Curves, parts: Reading) -> Reading:
        """Return the sum of powers of parts that were read at this place, ``(Q, F)``."""
        rungs = self._rung(total.values, -1), self._rung(total.values, 0)
        known = np.isfinite(parts.values)
        with np.errstate(invalid="ignore"):
            missing = [
                whole - sum_db(part, known) for whole, part in zip(rungs, parts.rungs, strict=True)
            ]
            value = sum_db(parts.values, known) + self._straight(*missing)
            counts = np.any(
                [part - whole >= COUNTS_DB for whole, part in zip(rungs, parts.rungs, strict=True)],
                axis=0,
            )
        bends = np.any(counts & parts.bends, axis=0)
        value = np.where(np.isfinite(value), value, np.nan)
        # That all harmonics vanish together is not to be expected.
        floor = sum_db(parts.low)
        return self._reading(total, self._step(total.values), value, bends, floor)

    def _reading(
        self,
        quantity: Curves,
        step: Step,
        value: FloatArray | None,
        bends: BoolArray,
        floor: FloatArray,
    ) -> Reading:
        """Read a quantity; of a sum, ``value`` stands for the cubic where it is known.

        ``floor`` is how low it may be where its interval spans both rungs.
        """
        values = quantity.values
        low, high = known_ends(quantity.low, quantity.high)
        lows, highs = ([self._rung(part, offset) for offset in (-1, 0)] for part in (low, high))
        with np.errstate(invalid="ignore"):
            even = is_even(step.growth) & is_even(self._growths(values, self.drive_dbfs[:, None]))
            value = step.cubic() if value is None else step.kept_within(value, even)
            even &= np.isfinite(value) & ~bends
            least, most = step.turning()
            spans = [
                np.fmin.reduce([np.minimum(*lows), least, floor, value]),
                np.fmax.reduce([np.maximum(*highs), most, value]),
            ]
            bent = [
                np.fmin(step.chord() - step.depth(), value) - self.between(values - low),
                np.fmax(step.chord() + step.depth(), value) + self.between(high - values),
            ]
        inside = (self.share > 0.0) & (self.share < 1.0)
        known = ~np.isnan(np.maximum(*highs))
        ends = [
            np.where(inside, np.where(even, b, np.where(known, s, np.nan)), self._at_rung(*r))
            for b, s, r in zip(bent, spans, (lows, highs), strict=True)
        ]
        value = np.where(inside, value, self._at_rung(*step.rungs))
        value = np.where(~np.isfinite(value) & np.isfinite(ends[1]), -np.inf, value)
        return Reading(value, ends[0], ends[1], ~even & inside, (step.rungs[0], step.rungs[1]))

    def _at_rung(self, below: FloatArray, above: FloatArray) -> FloatArray:
        return np.where(self.share >= 1.0, above, below)

    def _straight(self, below: FloatArray, above: FloatArray) -> FloatArray:
        """Return the straight line from what holds at the lower rung to that at the upper one."""
        with np.errstate(invalid="ignore"):
            line = (1.0 - self.share) * below + self.share * above
        return np.where(self.share <= 0.0, below, np.where(self.share >= 1.0, above, line))

    def _step(self, values: FloatArray) -> Step:
        return Step(
            rungs=[self._rung(values, offset) for offset in (-1, 0)],
            growth=self._growths(values, self.level),
            share=self.share,
            run=self._rung(self.level, 0) - self._rung(self.level, -1),
        )

    def _growths(self, values: FloatArray, across: FloatArray) -> list[FloatArray]:
        """Return growths of the step before, the step itself and the step after, dB per dB.

        NaN where there is no such step, or what runs across does not rise in it.
        """
        with np.errstate(invalid="ignore", divide="ignore"):
            run, rise = np.diff(across, axis=-2), np.diff(values, axis=-2)
            growth = np.where(run > 0.0, rise / np.where(run > 0.0, run, 1.0), np.nan)
        growth = np.where(np.isfinite(growth), growth, np.nan)
        return [self._rung(growth, offset) for offset in (-2, -1, 0)]
