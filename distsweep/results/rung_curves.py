"""A quantity at each rung of a ladder, or read at one level, with the ends of its interval."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.units import BoolArray, FloatArray


@dataclass(frozen=True)
class Curves:
    """A quantity at each rung (or at one level), with the ends of its 95 % interval.

    Arrays have shape ``(R, F)``, ``(Q, R, F)`` of several quantities, or without ``R`` where one
    level is read. NaN is not known; −inf as a low end is "at most".
    """

    values: FloatArray
    low: FloatArray
    high: FloatArray

    @classmethod
    def exact(cls, values: FloatArray) -> Curves:
        """Return a quantity that is known without doubt."""
        return cls(values, values, values)

    @classmethod
    def stacked(cls, curves: Sequence[Curves]) -> Curves:
        """Return several as one, along a new first axis."""
        return cls(
            np.array([one.values for one in curves]),
            np.array([one.low for one in curves]),
            np.array([one.high for one in curves]),
        )

    def twice(self) -> Curves:
        """Return a lone rung twice, as a step that does not rise."""
        return Curves(*(np.repeat(part, 2, axis=-2) for part in (self.values, self.low, self.high)))


@dataclass(frozen=True)
class Reading(Curves):
    """A quantity at one level, ``(F,)``; ``bends`` tells where its interval spans both rungs.

    ``rungs`` are its values at the rungs below and above.
    """

    bends: BoolArray
    rungs: tuple[FloatArray, FloatArray]


def known_ends(low: FloatArray, high: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return ends with −inf for a low end that is nothing, as a file holds it as NaN."""
    return np.where(np.isnan(low) & np.isfinite(high), -np.inf, low), high
