"""A quantity in dB with what noise leaves open of it: its 95 % interval, and surer bounds."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from distsweep.units import BoolArray, FloatArray, db_to_power, power_to_db

SURE_REACH = 2.326 / 1.960
"""How many times as far as the ends of a 95 % interval the sure bounds reach: the quantiles of a
Gaussian that leave 1 % and 2.5 % beyond (chosen: several levels are judged at every frequency, and
one false "past the limit" spoils what is said there)."""


@dataclass(frozen=True)
class Estimate:
    """A quantity in dB with what noise leaves open of it; arrays of one shape, ``(R, F)``.

    Attributes
    ----------
    value_db : best estimate, the noise's expected power taken off; −inf where nothing is left.
    low_db, high_db : the 95 % interval.
    least_db, most_db : what the true value is surely between. −inf and inf where nothing is
        known; the value is NaN there.
    """

    value_db: FloatArray
    low_db: FloatArray
    high_db: FloatArray
    least_db: FloatArray
    most_db: FloatArray

    @classmethod
    def of_power(cls, value_db: FloatArray, low_db: FloatArray, high_db: FloatArray) -> Estimate:
        """Return the estimate of a power, whose error is about Gaussian as a power.

        A value of NaN with a high end is nothing at most so much; without one it is not known.
        """
        value, low, high = (db_to_power(part) for part in (value_db, low_db, high_db))
        value = np.where(np.isnan(value_db), 0.0, value)
        least = np.maximum(value - SURE_REACH * (value - low), 0.0)
        most = value + SURE_REACH * (high - value)
        return cls._known(
            np.where(np.isnan(value_db), -np.inf, value_db), low_db, high_db,
            power_to_db(least), power_to_db(most),
        )  # fmt: skip

    @classmethod
    def of_level(cls, value_db: FloatArray, low_db: FloatArray, high_db: FloatArray) -> Estimate:
        """Return the estimate of a difference of levels, whose error is about Gaussian in dB."""
        with np.errstate(invalid="ignore"):
            least = value_db - SURE_REACH * (value_db - low_db)
            most = value_db + SURE_REACH * (high_db - value_db)
        return cls._known(value_db, low_db, high_db, least, most)

    @classmethod
    def _known(cls, value_db: FloatArray, *ends: FloatArray) -> Estimate:
        """Open the ends wherever anything is not known."""
        unknown = np.isnan(value_db) | np.any(np.isnan(ends), axis=0)
        opened = [
            np.where(unknown, side * np.inf, end)
            for side, end in zip((-1.0, 1.0, -1.0, 1.0), ends, strict=True)
        ]
        return cls(np.where(unknown, np.nan, value_db), *opened)

    def above(self, limit_db: float) -> Estimate:
        """Return how far the quantity lies above a limit."""
        return Estimate(*(part - limit_db for part in vars(self).values()))

    def unknown_where(self, flags: BoolArray) -> Estimate:
        """Return the same with nothing known where the flags are True, shape ``(F,)``."""
        value, *ends = vars(self).values()
        return Estimate._known(np.where(flags, np.nan, value), *ends)

    def without_upper_end_where(self, flags: BoolArray) -> Estimate:
        """Return the same with no upper ends where the flags are True, shape ``(F,)``."""
        return replace(
            self,
            high_db=np.where(flags, np.inf, self.high_db),
            most_db=np.where(flags, np.inf, self.most_db),
        )

    def zero_where(self, flags: BoolArray) -> Estimate:
        """Return the same with exactly nothing, −inf dB, where the flags are True."""
        return Estimate(*(np.where(flags, -np.inf, part) for part in vars(self).values()))
