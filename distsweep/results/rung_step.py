"""One step from a rung to the next: what a curve may do between them, by the steps beside it.

A cubic runs from rung to rung; its tangents are those of F. N. Fritsch and J. Butland (SIAM J.
Sci. Stat. Comput. 5, 1984, from memory), so that it neither overshoots nor turns.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.units import BoolArray, FloatArray, db_to_power, power_to_db

UNEVEN_DB_PER_DB = 0.5
"""Where the growths of three neighbouring steps differ by more, the curve bends, and nothing tells
where inside the step: the interval spans both rungs (chosen: over steps of 6 dB an even bend of as
much puts a straight line off by 0.4 dB)."""

DRIFT_DB_PER_DB = 0.1
"""By so much the growth may change along a line that is carried on from the neighbouring step
(chosen: a fifth of what counts as uneven)."""

VANISHES_DB = 15.0
"""A quantity may vanish inside a step where it bends by this much: growth of the step after it less
growth of the step before it, times the step. By the formula of Aᵐ·(1 − Aᵏ), k of 1, 2 or 4, whose
zero lies anywhere inside a step of 3 to 10 dB, the bend is 19 dB or more (chosen: some is spared,
as other products may be left)."""


@dataclass(frozen=True)
class Step:
    """One step of a quantity, ``(…, F)``: both rungs, and growths of three steps, dB per dB.

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
        cubic = cubic_between(self.rungs[0], self.rungs[1], first, last, self.share)
        return np.where(np.isfinite(cubic), cubic, np.nan)

    def kept_within(self, value: FloatArray, even: BoolArray) -> FloatArray:
        """Return a value within what the curve may do, the cubic where there is none.

        Harmonics that pass each other would make their sum dip where THD does not.
        """
        chord, depth = self.chord(), self.depth()
        low, high = np.minimum(*self.rungs), np.maximum(*self.rungs)
        return np.clip(
            np.where(np.isnan(value), self.cubic(), value),
            np.where(even, chord - depth, low),
            np.where(even, chord + depth, high),
        )

    def depth(self) -> FloatArray:
        """Return how far from the straight line the neighbours' lines may run, carried on."""
        before, own, after = self.growth
        left = np.abs(before - own) * self.share * self.run
        right = np.abs(after - own) * (1.0 - self.share) * self.run
        drift = DRIFT_DB_PER_DB * self.run * np.minimum(self.share, 1.0 - self.share)
        return np.maximum(left, right) + drift

    def turning(self) -> tuple[FloatArray, FloatArray]:
        """Return how far a curve that turns inside the step may pass its rungs.

        From a rung it runs no steeper than the steps on both sides of it, and what their growths
        may differ unseen. Where it bends up at a rung this bounds it from below only, where it
        bends down from above only. Where it bends up by `VANISHES_DB` it may vanish.
        """
        before, own, after = self.growth
        # A neighbour that is not known is taken to bend on as the other one does, or to be level.
        before, after = (
            np.nan_to_num(np.where(np.isnan(one), np.fmin(2.0 * own - other, 0.0), one))
            for one, other in ((before, after), (after, before))
        )
        spare, ahead = UNEVEN_DB_PER_DB + DRIFT_DB_PER_DB, self.share * self.run
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
        """Return −inf where the quantity may vanish inside the step, inf elsewhere.

        In the last step, of whose end nothing is known, it may wherever growth has changed.
        """
        before, own, after = self.growth
        vanishes = (after - before) * self.run >= VANISHES_DB
        vanishes |= np.isnan(after) & (np.abs(own - before) > UNEVEN_DB_PER_DB)
        return np.where(vanishes, -np.inf, np.inf)


def cubic_between(
    lower: FloatArray, upper: FloatArray, first: FloatArray, last: FloatArray, share: FloatArray
) -> FloatArray:
    """Return a cubic between two rungs; ``first`` and ``last`` are its slopes there, a step."""
    u, rise = share, upper - lower
    return np.asarray(
        lower + rise * u**2 * (3.0 - 2.0 * u) + first * u * (1.0 - u) ** 2 - last * u**2 * (1.0 - u)
    )


def slope_between(before: FloatArray, after: FloatArray) -> FloatArray:
    """Return the slope at a rung between two steps: the harmonic mean, 0 where one turns."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(before * after > 0.0, 2.0 * before * after / (before + after), 0.0)


def is_even(growth: Sequence[FloatArray]) -> BoolArray:
    """Tell where three growths are known and differ by little."""
    return np.asarray(np.ptp(np.array(growth), axis=0) <= UNEVEN_DB_PER_DB)


def sum_db(levels_db: FloatArray, known: BoolArray | None = None) -> FloatArray:
    """Return the sum of powers over the first axis; NaN counts as nothing, unless all are."""
    there = ~np.isnan(levels_db)
    if known is not None:
        there &= known
    power = np.sum(db_to_power(np.where(there, levels_db, -np.inf)), axis=0)
    return np.where(np.any(there, axis=0), power_to_db(power), np.nan)


def _tangent(other: FloatArray, own: FloatArray) -> FloatArray:
    """Return the slope at a rung between two steps: the harmonic mean, 0 where one turns.

    Where they are uneven the other one bends, and its growth says nothing of this one's.
    """
    mean = slope_between(other, own)
    with np.errstate(invalid="ignore"):
        alike = np.abs(other - own) <= UNEVEN_DB_PER_DB
    return np.where(alike, mean, own)
