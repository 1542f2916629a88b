"""Reading curves between the rungs of a ladder: where a level is reached, and what holds there.

Everything is read against the level, of the output or of the drive, which runs across the rungs.
In the first step that reaches the level a cubic runs from rung to rung; its tangents are those of
F. N. Fritsch and J. Butland (SIAM J. Sci. Stat. Comput. 5, 1984, from memory), so that it neither
overshoots nor turns. How a curve runs inside a step is not known: the interval holds what the
steps on both sides allow.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.units import BoolArray, FloatArray, IntArray, db_to_power, power_to_db

UNEVEN_DB_PER_DB = 0.5
"""Where the growths of three neighbouring steps differ by more, the curve bends, and nothing tells
where inside the step: the interval spans both rungs (chosen: over steps of 6 dB an even bend of as
much puts a straight line off by 0.4 dB)."""

HARDLY_RISES_DB_PER_DB = 0.5
"""Below this rise of the output for a dB of drive many drives give a level nearly alike, and the
interval spans them (chosen: half of what an output rises that nothing holds back)."""

VANISHES_DB = 15.0
"""A quantity may vanish inside a step where it bends by this much: growth of the step after it less
growth of the step before it, times the step. By the formula of Aᵐ·(1 − Aᵏ), k of 1, 2 or 4, whose
zero lies anywhere inside a step of 3 to 10 dB, the bend is 19 dB or more (chosen: some is spared,
as other products may be left)."""

COUNTS_DB = -10.0
"""A harmonic that is no farther below THD at a rung counts in whether THD bends (chosen: a tenth of
the power, 0.4 dB)."""

SAME_LEVEL_DB = 0.05
"""A level that misses the lowest or the highest played by no more counts as it (chosen: levels are
asked for as whole numbers, and played as near as that)."""


@dataclass(frozen=True)
class Curves:
    """A quantity at each rung (or at one level), with the ends of its 95 % interval.

    Arrays have shape ``(R, F)``, or ``(F,)`` where one level is read. NaN is not known; −inf as a
    low end is "at most".
    """

    values: FloatArray
    low: FloatArray
    high: FloatArray

    @classmethod
    def exact(cls, values: FloatArray) -> Curves:
        """Return a quantity that is known without doubt."""
        return cls(values, values, values)

    def twice(self) -> Curves:
        """Return a lone rung twice, as a step that does not rise."""
        return Curves(*(np.repeat(part, 2, axis=0) for part in (self.values, self.low, self.high)))


@dataclass(frozen=True)
class Reading(Curves):
    """A quantity at one level, ``(F,)``; ``bends`` tells where its interval spans both rungs.

    ``rungs`` are its values at the rungs below and above, ``(2, F)``.
    """

    bends: BoolArray
    rungs: FloatArray


class Between:
    """The place between rungs where a level is reached first, for each frequency.

    Quantities are NaN where the level is below the lowest or above the highest played, or where a
    rung beside it has no level.
    """

    def __init__(self, drive_dbfs: FloatArray, level: Curves, at: float) -> None:
        """Find the place.

        Parameters
        ----------
        drive_dbfs : of the rungs, rising, shape ``(R,)``.
        level : what is to reach ``at``: the output, or the drive itself; shape ``(R, F)``.
        at : the level, in its unit.
        """
        self._lone = len(drive_dbfs) == 1
        if self._lone:
            drive_dbfs, level = np.repeat(drive_dbfs, 2), level.twice()
        found = _Place.of(drive_dbfs, level.values, np.full(level.values.shape[1], float(at)))
        down, up = (
            np.where(np.isfinite(width), np.maximum(width, 0.0), 0.0)
            for width in (
                found.between(level.values - level.low),
                found.between(level.high - level.values),
            )
        )
        self._places = [found, found.moved(-down), found.moved(up)]
        self._flat = found.flat(level, at)

    def read(self, quantity: Curves) -> Reading:
        """Return a quantity, in dB, of shape ``(R, F)``.

        Where three neighbouring steps grow alike the interval holds what bends within their
        differences may do; elsewhere, and in a step without a neighbour, it spans both rungs.
        """
        if self._lone:
            quantity = quantity.twice()
        return self._joined(quantity, [place.read(quantity) for place in self._places])

    def read_total(
        self, total: Curves, parts: Mapping[int, Curves]
    ) -> tuple[Reading, dict[int, Reading]]:
        """Return THD, and the harmonics that it is the sum of.

        Between rungs THD is what the harmonics, each read by itself, add up to, and what it differs
        from that at the rungs, where not all of them are known. Where one that counts bends, THD
        does; and as one may vanish there, THD may be as low as their low ends add up to.
        """
        if self._lone:
            total, parts = total.twice(), {order: part.twice() for order, part in parts.items()}
        wholes, all_parts = [], []
        for place in self._places:
            read = [place.read(part) for part in parts.values()]
            wholes.append(place.read_sum(total, read))
            all_parts.append(read)
        whole = self._joined(total, wholes)
        harmonics = {
            order: self._joined(part, [read[i] for read in all_parts])
            for i, (order, part) in enumerate(parts.items())
        }
        return whole, harmonics

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
        low, high = (_where_known(first, end) for end in (low, high))
        bends = np.any([one.bends for one in reads], axis=0) | np.any(self._flat, axis=0)
        return Reading(first.values, low, high, bends, first.rungs)


def _where_known(read: Curves, end: FloatArray) -> FloatArray:
    """Return an end, NaN where nothing was read."""
    return np.where(np.isnan(read.values) & np.isnan(read.high), np.nan, end)


def _spanned(
    quantity: Curves, flat: BoolArray, low: FloatArray, high: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Widen ends to those of all the steps that ``flat`` names, shape ``(R − 1, F)``."""
    lows, highs = _ends(quantity.low, quantity.high)
    steps_low = np.where(flat, np.minimum(lows[:-1], lows[1:]), np.inf)
    steps_high = np.where(flat, np.maximum(highs[:-1], highs[1:]), -np.inf)
    return (
        np.minimum(low, np.min(steps_low, axis=0, initial=np.inf)),
        np.maximum(high, np.max(steps_high, axis=0, initial=-np.inf)),
    )


def _ends(low: FloatArray, high: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return ends with −inf for a low end that is nothing, as a file holds it as NaN."""
    return np.where(np.isnan(low) & np.isfinite(high), -np.inf, low), high


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
        """Return a quantity ``offset`` rungs from the upper one; NaN where there is none."""
        row = self.upper + offset
        there = (self.upper > 0) & (row >= 0) & (row < len(quantity))
        columns = np.arange(quantity.shape[1])
        return np.where(there, quantity[np.where(there, row, 0), columns], np.nan)

    @property
    def share(self) -> FloatArray:
        """How far from the lower rung to the upper one the level lies, by level."""
        below, above = self._rung(self.level, -1), self._rung(self.level, 0)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(above > below, (self.at - below) / (above - below), 0.0)

    def between(self, quantity: FloatArray) -> FloatArray:
        """Return the straight line through both rungs."""
        share = self.share
        below, above = self._rung(quantity, -1), self._rung(quantity, 0)
        with np.errstate(invalid="ignore"):
            line = (1.0 - share) * below + share * above
        return np.where(share <= 0.0, below, np.where(share >= 1.0, above, line))

    def flat(self, level: Curves, at: float) -> BoolArray:
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

    def read(self, quantity: Curves) -> Reading:
        """Return a quantity at the level with what it lies between, ``(F,)``."""
        return self._reading(quantity, None, np.zeros(self.at.shape, dtype=bool))

    def read_sum(self, total: Curves, parts: Sequence[Reading]) -> Reading:
        """Return the sum of powers of parts that were read at this place."""
        rungs = np.array([self._rung(total.values, offset) for offset in (-1, 0)])
        known = np.array([np.isfinite(part.values) for part in parts])
        there = np.isfinite(rungs).all(axis=0) & known.any(axis=0)
        value = np.full(self.at.shape, np.nan)
        bends = np.zeros(self.at.shape, dtype=bool)
        if parts and there.any():
            share = self.share
            with np.errstate(invalid="ignore"):
                missing = rungs - _sum_db([part.rungs for part in parts], known[:, None])
                value = _sum_db([part.values for part in parts], known)
                value = value + (1.0 - share) * missing[0] + share * missing[1]
                counts = [(part.rungs - rungs >= COUNTS_DB).any(axis=0) for part in parts]
            bends = np.any(np.array(counts) & [part.bends for part in parts], axis=0)
        return self._reading(total, np.where(there, value, np.nan), bends, parts)

    def _reading(
        self,
        quantity: Curves,
        value: FloatArray | None,
        bends: BoolArray,
        parts: Sequence[Reading] = (),
    ) -> Reading:
        """Read a quantity; ``value`` stands for the cubic where it is known."""
        values = quantity.values
        low, high = _ends(quantity.low, quantity.high)
        step = self._step(values)
        lows, highs = ([self._rung(part, offset) for offset in (-1, 0)] for part in (low, high))
        inside = (step.share > 0.0) & (step.share < 1.0)
        with np.errstate(invalid="ignore"):
            cubic, chord, depth = step.cubic(), step.chord(), step.depth()
            even = _even(step.growth) & _even(self._growths(values, self.drive_dbfs[:, None]))
            if value is None:
                value = cubic
            else:  # harmonics that pass each other would dip where THD does not
                ends = np.minimum(*step.rungs), np.maximum(*step.rungs)
                value = np.clip(
                    np.where(np.isnan(value), cubic, value),
                    np.where(even, chord - depth, ends[0]),
                    np.where(even, chord + depth, ends[1]),
                )
            even &= np.isfinite(value) & ~bends
            least, most = step.turning()
            lows_sum = (
                _sum_db([part.low for part in parts]) if parts else np.full_like(value, np.nan)
            )
            # Where all harmonics vanish together is not to be expected; where one does, it is.
            floor = np.where(np.isnan(lows_sum), step.lowest(), lows_sum)
            low_end = np.where(
                even,
                np.fmin(chord - depth, value) - self.between(values - low),
                np.fmin(np.fmin(np.minimum(*lows), np.fmin(least, floor)), value),
            )
            high_end = np.where(
                even,
                np.fmax(chord + depth, value) + self.between(high - values),
                np.fmax(np.fmax(np.maximum(*highs), most), value),
            )
        edge = np.where(step.share >= 1.0, 1, 0)
        value, low_end, high_end = (
            np.where(inside, part, np.choose(edge, rungs))
            for part, rungs in ((value, step.rungs), (low_end, lows), (high_end, highs))
        )
        hidden = ~np.isfinite(value) & np.isfinite(high_end)
        value = np.where(hidden, -np.inf, value)
        return Reading(value, low_end, high_end, ~even & inside, np.array(step.rungs))

    def _step(self, values: FloatArray) -> _Step:
        return _Step(
            rungs=[self._rung(values, offset) for offset in (-1, 0)],
            growth=self._growths(values, self.level),
            share=self.share,
            run=self._rung(self.level, 0) - self._rung(self.level, -1),
        )

    def _growths(self, values: FloatArray, across: FloatArray) -> list[FloatArray]:
        """Return growths of the step before, the step itself and the step after, dB per dB.

        NaN where there is no such step, or what runs across does not rise in it.
        """
        across = np.broadcast_to(across, values.shape)
        with np.errstate(invalid="ignore", divide="ignore"):
            run, rise = np.diff(across, axis=0), np.diff(values, axis=0)
            growth = np.where(run > 0.0, rise / np.where(run > 0.0, run, 1.0), np.nan)
        growth = np.where(np.isfinite(growth), growth, np.nan)
        return [self._rung(growth, offset) for offset in (-2, -1, 0)]


@dataclass(frozen=True)
class _Step:
    """One step of a quantity, ``(F,)`` each: both rungs, and growths of three steps, dB per dB.

    ``share`` says how far between the rungs the level lies, ``run`` how far these are apart.
    """

    rungs: Sequence[FloatArray]
    growth: Sequence[FloatArray]
    share: FloatArray
    run: FloatArray

    def chord(self) -> FloatArray:
        """Return the straight line from rung to rung."""
        return (1.0 - self.share) * self.rungs[0] + self.share * self.rungs[1]

    def cubic(self) -> FloatArray:
        """Return a cubic from rung to rung; beside no neighbour it ends as a straight line."""
        before, own, after = self.growth
        first, last = (_tangent(other, own) * self.run for other in (before, after))
        u, rise = self.share, self.rungs[1] - self.rungs[0]
        cubic = (
            self.rungs[0]
            + rise * u**2 * (3.0 - 2.0 * u)
            + first * u * (1.0 - u) ** 2
            - last * u**2 * (1.0 - u)
        )
        return np.where(np.isfinite(cubic), cubic, np.nan)

    def depth(self) -> FloatArray:
        """Return how far from the straight line the neighbours' lines run, carried on."""
        before, own, after = self.growth
        left = np.abs(before - own) * self.share * self.run
        right = np.abs(after - own) * (1.0 - self.share) * self.run
        return np.maximum(left, right)

    def turning(self) -> tuple[FloatArray, FloatArray]:
        """Return how far a curve that turns inside the step may pass its rungs.

        From a rung it runs no steeper than the steps on both sides of it, and what their growths
        may differ unseen. Where it bends up at a rung this bounds it from below only, where it
        bends down from above only. Where it bends up by `VANISHES_DB` it may vanish.
        """
        before, own, after = self.growth
        # A neighbour that is not known is taken to bend on as the other one does.
        before, after = (
            np.nan_to_num(np.where(np.isnan(one), 2.0 * own - other, one))
            for one, other in ((before, after), (after, before))
        )
        spare, ahead = UNEVEN_DB_PER_DB, self.share * self.run
        behind = self.run - ahead
        lower, upper = self.rungs
        most = np.minimum(
            np.where(before > own - spare, lower + (np.fmax(before, own) + spare) * ahead, np.inf),
            np.where(after < own + spare, upper - (np.fmin(after, own) - spare) * behind, np.inf),
        )
        least = np.maximum(
            np.where(before < own + spare, lower + (np.fmin(before, own) - spare) * ahead, -np.inf),
            np.where(after > own - spare, upper - (np.fmax(after, own) + spare) * behind, -np.inf),
        )
        return (
            np.where(np.isfinite(least), least, np.inf),
            np.where(np.isfinite(most), most, -np.inf),
        )

    def lowest(self) -> FloatArray:
        """Return −inf where the quantity may vanish inside the step, inf elsewhere."""
        bend_db = (self.growth[2] - self.growth[0]) * self.run
        return np.where(bend_db >= VANISHES_DB, -np.inf, np.inf)


def _even(growth: Sequence[FloatArray]) -> BoolArray:
    """Tell where three growths are known and differ by little."""
    return np.asarray(np.ptp(np.array(growth), axis=0) <= UNEVEN_DB_PER_DB)


def _sum_db(parts_db: Sequence[FloatArray], known: BoolArray | None = None) -> FloatArray:
    """Return the sum of powers over the first axis; NaN counts as nothing, unless all are."""
    levels_db = np.array(parts_db)
    known = ~np.isnan(levels_db) if known is None else known & ~np.isnan(levels_db)
    power = np.sum(np.where(known, db_to_power(levels_db), 0.0), axis=0)
    return np.where(np.any(known, axis=0), power_to_db(power), np.nan)


def _tangent(other: FloatArray, own: FloatArray) -> FloatArray:
    """Return the slope at a rung between two steps: the harmonic mean, 0 where one turns."""
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(other * own > 0.0, 2.0 * other * own / (other + own), 0.0)
    return np.where(np.isnan(other), own, mean)
