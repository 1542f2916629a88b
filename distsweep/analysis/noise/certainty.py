"""What noise lets one say of a quantity: its likely interval, and what it is surely within.

A measured harmonic is the sum of the true one and a complex Gaussian error, whose mean square
σ² is the square of the floor. THD is a sum of such powers, P = Σ|hₙ + eₙ|², each order with a
floor of its own. Its mean is T + Σσₙ², where T = Σ|hₙ|² is the true power: noise *adds* power.
Its variance is 2·Σ|hₙ|²σₙ² + Σσₙ⁴. A true power T is compatible with the measured one as long
as P lies between two quantiles of the distribution that T would give: a noncentral chi-squared
one, taken as the gamma distribution of the same mean and variance (Patnaik, Biometrika 36,
1949), with the quantiles of Wilson and Hilferty (PNAS 17, 1931). Where P is no more than noise
makes by itself, T may be anything from nothing to the upper bound.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from distsweep.units import BoolArray, FloatArray, db_to_ratio, power_to_db

SEEN_DB, CLEAR_DB, RELIABLE_DB = 6.0, 12.0, 25.0
"""The three standings of a level, by its distance from its floor (see `level_deviation_db`).

Below the first it is *hidden*: the background alone may have made it (contract). From the first on
it is *seen*: it is there, and its standard deviation is 3.1 dB or less. From the second on it is
*clear*: its height is known to 1.5 dB (standard deviation). From the third on it is *reliable*: it
takes 4.3 standard deviations to move it by 1.5 dB, which Gaussian noise does once in seventy
thousand values. Chosen so: what is concluded from one value alone asks for "reliable", what rests
on several asks for "clear", and what is only drawn, or is confirmed elsewhere, for "seen"."""

FLOOR_AVERAGES = 6.0
"""So many independent stretches of silence a floor is averaged over (Welch 1967: the seven of
0.68 s that overlap by half in 3 s of silence count as 6.7; lower, as no noise is quite steady)."""

LIKELY_DEVIATIONS, SURE_DEVIATIONS = 2.3, 2.6
"""Quantiles of the likely interval and of the sure bounds, in standard deviations of a Gaussian.

The floor is itself an average over `FLOOR_AVERAGES` stretches, so it has 12 degrees of freedom, and
Gaussian quantiles would be too small. Simulated (1 to 9 orders, true values from 20 dB below the
floor to 30 dB above), likely intervals hold the true value in 95 % of the trials at least, and
1.7 % at most lie beyond an end of the sure ones. What is called known takes the sure one: several
levels are judged at every frequency, and one false "past the limit" spoils it."""

DB_PER_RATIO = 20.0 / np.log(10.0)
"""Decibels that a small relative change of an amplitude makes: the derivative,
by the formula of the decibel, 20·log10, at a ratio of 1."""

DEVIATION_OF_MEDIAN = 1.4826
"""Standard deviation over median absolute deviation, by the Gaussian's formula."""

_HALVINGS = 30
"""Steps of the search for a bound (chosen: 1e-9 of where it begins)."""

_WIDEST = 12.0, 4.0
"""A bound is looked for up to so many times the measured power and so many times the noise (chosen:
past every upper bound of the two quantiles above)."""


def level_deviation_db(above_floor_db: FloatArray) -> FloatArray:
    """Return what noise moves a level by, one standard deviation, at a distance from its floor.

    An error whose mean square is σ² moves an amplitude by σ/√2, its part in step with it.
    """
    return np.asarray(DB_PER_RATIO * np.sqrt(0.5) * db_to_ratio(-above_floor_db))


@dataclass(frozen=True)
class Estimate:
    """A quantity in dB with what noise leaves open of it; arrays of one shape, ``(R, F)``.

    Attributes
    ----------
    value_db : best estimate, the noise's expected power taken off; −inf where nothing is left.
    low_db, high_db : the likely interval, 95 %.
    least_db, most_db : what the true value is surely between. −inf and inf where nothing is
        known; the value is NaN there.
    """

    value_db: FloatArray
    low_db: FloatArray
    high_db: FloatArray
    least_db: FloatArray
    most_db: FloatArray

    @classmethod
    def gaussian(cls, value_db: FloatArray, deviation_db: FloatArray) -> Estimate:
        """Return values with a Gaussian error of a standard deviation; NaN is not known."""
        ends = [
            _open_where_nan(value_db, value_db - z * deviation_db, value_db + z * deviation_db)
            for z in (LIKELY_DEVIATIONS, SURE_DEVIATIONS)
        ]
        known = np.isfinite(ends[0][0])
        return cls(np.where(known, value_db, np.nan), *ends[0], *ends[1])

    def above(self, limit_db: float) -> Estimate:
        """Return how far the quantity lies above a limit."""
        return Estimate(*(part - limit_db for part in vars(self).values()))

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


def _open_where_nan(
    value: FloatArray, low: FloatArray, high: FloatArray
) -> tuple[FloatArray, FloatArray]:
    known = ~(np.isnan(value) | np.isnan(low) | np.isnan(high))
    return np.where(known, low, -np.inf), np.where(known, high, np.inf)


@dataclass(frozen=True)
class NoisyPower:
    """A sum of powers with noise in it, re some reference power; arrays of one shape.

    Attributes
    ----------
    total : as measured, P; NaN where it is not known.
    noise : the noise's expected share, Σσₙ².
    cross : Σ|hₙ|²σₙ²/Σ|hₙ|², the noise's mean square weighted with the signal.
    spread : Σσₙ⁴.
    relative : variance of the reference's power, relative to its square.
    """

    total: FloatArray
    noise: FloatArray
    cross: FloatArray
    spread: FloatArray
    relative: FloatArray

    @classmethod
    def of_orders(cls, powers: FloatArray, floors: FloatArray, relative: FloatArray) -> NoisyPower:
        """Sum orders along the first axis; NaN orders take no part.

        Parameters
        ----------
        powers, floors : measured power and the noise's mean square, shape ``(N, …)``.
        relative : shape ``(…)``.
        """
        held = np.isfinite(powers)
        power, floor = np.where(held, powers, 0.0), np.where(held, floors, 0.0)
        total = np.sum(power, axis=0)
        # As measured, noise included, the weights lean towards the noisier orders: wider bounds.
        cross = np.sum(power * floor, axis=0) / np.where(total > 0.0, total, 1.0)
        return cls(
            np.where(np.any(held, axis=0), total, np.nan),
            np.sum(floor, axis=0),
            cross,
            np.sum(floor**2, axis=0),
            relative,
        )

    def known_where(self, flags: BoolArray) -> NoisyPower:
        """Return the same, not known where the flags are False."""
        return replace(self, total=np.where(flags, self.total, np.nan))

    def quantile(self, true: FloatArray, deviations: float) -> FloatArray:
        """Return what is measured where the true power is ``true``, so far from the mean."""
        mean = true + self.noise
        variance = (
            2.0 * true * self.cross
            + self.spread * (1.0 + 1.0 / FLOOR_AVERAGES)
            + self.relative * mean**2
        )
        # k is the gamma distribution's shape; 1/k is its variance over the mean's square.
        one_over_k = variance / np.maximum(mean, 1e-150) ** 2
        root = 1.0 - one_over_k / 9.0 + deviations * np.sqrt(one_over_k) / 3.0
        return np.asarray(mean * np.maximum(root, 0.0) ** 3)

    def bounds(self, deviations: float) -> tuple[FloatArray, FloatArray]:
        """Return the lowest and the highest true power that the measured one allows."""
        low = self._largest(lambda true: self.total > self.quantile(true, deviations))
        # Less than noise alone makes on average says no more of the upper end than that much does.
        seen = np.maximum(self.total, self.noise)
        high = self._largest(lambda true: seen >= self.quantile(true, -deviations))
        return low, high

    def estimate(self) -> Estimate:
        """Return the true power's level in dB with its bounds."""
        known = np.isfinite(self.total) & np.isfinite(self.noise) & np.isfinite(self.relative)
        ends = []
        for deviations in (LIKELY_DEVIATIONS, SURE_DEVIATIONS):
            low, high = self.bounds(deviations)
            ends.append(np.where(known, power_to_db(low), -np.inf))
            ends.append(np.where(known, power_to_db(high), np.inf))
        left = np.maximum(self.total - self.noise, 0.0)
        return Estimate(np.where(known, power_to_db(left), np.nan), *ends)

    def _largest(self, passed: Callable[[FloatArray], BoolArray]) -> FloatArray:
        """Return the largest true power that passes, by halving; 0 where none does."""
        low = np.zeros_like(self.total)
        by_power, by_noise = _WIDEST
        measured = np.where(np.isfinite(self.total), self.total, 0.0)
        high = by_power * (measured + by_noise * self.noise)
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            up = passed(middle)
            low, high = np.where(up, middle, low), np.where(up, high, middle)
        return np.asarray(low)
