"""The 95 % interval of a level that noise has touched.

What is measured is P = Σ|hₙ + eₙ|², a sum over one or several places (orders of a THD, points of
a smoothed curve), of true amplitudes hₙ and complex Gaussian errors eₙ of mean square σₙ². Its
mean is T + Σσₙ², with the true power T = Σ|hₙ|²; its variance 2·Σ|hₙ|²σₙ² + Σσₙ⁴. For a single
place √P has the distribution of a sine in Gaussian noise (Rice 1945), for several it is a
noncentral chi-squared one of unlike variances, here taken as the gamma distribution of the same
mean and variance (Patnaik, Biometrika 36, 1949), with the quantiles of Wilson and Hilferty (PNAS
17, 1931).

The σₙ² themselves are averages over a few seconds of silence. In place of a Gaussian's quantile
stands Student's, of as many degrees of freedom as that average has: for a strong signal that is
exact, and for none it is the quantile of F that a ratio of two noise powers has, nearly.

A true power belongs to the interval as long as P lies between the two quantiles, 2.5 % and
97.5 %, that it would give.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.units import BoolArray, FloatArray, power_to_db

LEAST_SHARE = 0.5
"""A band has a mean where so much of its points is known (chosen: most of them)."""

LEAST_REFERENCE = 8.0
"""A ratio is known where the power that it is re stands so many times above its noise (measured by
tests/unit/test_interval_rules.py: 93 % and more of the intervals hold the truth there; nearer to
the noise fewer do, 90 % at 0 dB and 88 % at −5 dB, and their ends tell nothing)."""

_STEPS = 5
"""Newton steps towards an end (chosen: with five an end is right to 2e-6 dB,
with four to 0.005 dB, at every one of 200,000 random powers)."""


@dataclass(frozen=True, eq=False)
class NoisySum:
    """A measured power and what is known of the noise in it; arrays of one shape.

    Attributes
    ----------
    total : as measured, P; NaN where it is not known.
    noise : Σσₙ².
    cross : Σ|hₙ|²σₙ²/Σ|hₙ|²: the noise's mean square where the signal is.
    spread : Σσₙ⁴.
    relative : variance of the power that P is a ratio to, over its square; 0 for none.
    degrees : degrees of freedom of the noise's estimate.
    """

    total: FloatArray
    noise: FloatArray
    cross: FloatArray
    spread: FloatArray
    relative: FloatArray
    degrees: FloatArray

    @classmethod
    def single(
        cls, power: FloatArray, noise: FloatArray, degrees: FloatArray, relative: FloatArray
    ) -> NoisySum:
        """Return single powers, each with its own noise; all of one shape."""
        return cls(power, noise, noise, noise**2, relative, degrees)

    @classmethod
    def ratios(
        cls, powers: FloatArray, noises: FloatArray, degrees: FloatArray, leaks: FloatArray
    ) -> NoisySum:
        """Return the powers from the second on re the first, along the first axis.

        NaN where the first hardly stands above its noise (`LEAST_REFERENCE`). All arrays have one
        shape; ``leaks`` are amplitude ratios that are no signal, and may be broadcast.
        """
        left = powers[0] - noises[0]
        there = (left > 0.0) & (left >= LEAST_REFERENCE * noises[0])
        reference = np.where(there, left, np.nan)
        noise = noises[1:] / reference + leaks[1:] ** 2
        relative = np.broadcast_to(2.0 * noises[0] / reference, noise.shape)
        return cls.single(powers[1:] / reference, noise, degrees[1:], relative)

    def weighted(self, values: FloatArray) -> FloatArray:
        """Return means along the first axis, weighted by what is left of each power.

        NaN where nothing stands above the noise's share. ``values`` are of the powers' shape.
        """
        with np.errstate(invalid="ignore", divide="ignore"):
            left = np.nan_to_num(np.maximum(self.total - self.noise, 0.0))
            return np.asarray(
                np.sum(left * values, axis=0, where=left > 0.0) / np.sum(left, axis=0)
            )

    def summed(self) -> NoisySum:
        """Return the sums along the first axis; NaN powers take no part.

        The errors of what is summed are independent.
        """
        held = np.isfinite(self.total)
        total, noise, spread = (
            np.where(held, part, 0.0) for part in (self.total, self.noise, self.spread)
        )
        spreads, cross = np.sum(spread, axis=0), self.weighted(self.cross)
        with np.errstate(invalid="ignore", divide="ignore"):
            # Where no signal is left the noise's own mean stands for the signal's place.
            in_noise = np.sum(noise * self.cross, axis=0, where=held) / np.sum(noise, axis=0)
            cross = np.where(np.isfinite(cross), cross, in_noise)
            degrees = spreads / np.sum(spread / self.degrees, axis=0)
        return NoisySum(
            np.where(np.any(held, axis=0), np.sum(total, axis=0), np.nan),
            np.sum(noise, axis=0),
            np.nan_to_num(cross),
            spreads,
            self.relative[0] if self.relative.ndim == self.total.ndim else self.relative,
            np.where(np.isfinite(degrees), degrees, np.inf),
        )

    def averaged(
        self, inside: BoolArray, independent: FloatArray, in_step: float, degrees: FloatArray
    ) -> NoisySum:
        """Return the means over bands of the last axis; NaN powers take no part.

        Parameters
        ----------
        inside : which of the last axis's points lie in which band, shape ``(B, F)``.
        independent : how many of a band's points see noise of independent power, ``(…, B)``.
        in_step : how many times as many see noise that is independent in step with the signal.
        degrees : degrees of freedom of a band's noise, shape ``(…, B)``.
        """
        held = np.isfinite(self.total) & np.isfinite(self.noise)
        into = inside.T.astype(float)
        count = held @ into
        enough = count >= LEAST_SHARE * np.sum(inside, axis=1)
        share = 1.0 / np.maximum(count, 1.0)

        def mean(part: FloatArray) -> FloatArray:
            return np.asarray((np.where(held, part, 0.0) @ into) * share)

        total, noise = mean(self.total), mean(self.noise)
        left = np.maximum(np.where(held, self.total - self.noise, 0.0), 0.0)
        points, in_step_points = (
            np.clip(number, 1.0, np.maximum(count, 1.0))
            for number in (independent, in_step * independent)
        )
        with np.errstate(invalid="ignore", divide="ignore"):
            weight = mean(left)
            cross = np.where(weight > 0.0, mean(left * self.cross) / weight, mean(self.cross))
        return NoisySum(
            np.where(enough, total, np.nan),
            noise,
            cross / in_step_points,
            mean(self.spread) / points,
            mean(np.broadcast_to(self.relative, self.total.shape)) / in_step_points,
            np.broadcast_to(degrees, total.shape),
        )

    def _quantile(self, true: FloatArray, deviations: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return a quantile of what is measured for a true power, and its slope."""
        mean = true + self.noise
        variance = 2.0 * true * self.cross + self.spread + self.relative * mean**2
        # The gamma distribution's shape is 1/w; w is its variance over the mean's square.
        w = np.maximum(variance / mean**2, 1e-30)
        w_slope = (2.0 * self.cross + 2.0 * self.relative * mean) / mean**2 - 2.0 * w / mean
        root = np.maximum(1.0 - w / 9.0 + deviations * np.sqrt(w) / 3.0, 1e-9)
        square = root**2
        cube = square * root  # as a power it would take several times as long
        slope = cube + 3.0 * mean * square * w_slope * (deviations / (6.0 * np.sqrt(w)) - 1.0 / 9.0)
        return mean * cube, slope

    def _end(self, measured: FloatArray, deviations: FloatArray) -> FloatArray:
        """Return the true power of which ``measured`` is a quantile; 0 where there is none."""
        at_nothing, _ = self._quantile(np.zeros_like(measured), deviations)
        spread = np.sqrt(2.0 * np.maximum(measured, self.noise) * self.cross + self.spread)
        true = np.maximum(measured - self.noise - deviations * spread, 1e-3 * self.noise + 1e-300)
        for _ in range(_STEPS):
            value, slope = self._quantile(true, deviations)
            step = (measured - value) / np.maximum(slope, 0.05)
            true = np.maximum(true + step, 0.1 * true)
        return np.where(measured > at_nothing, true, 0.0)

    def interval(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the true power's level in dB and the ends of its interval.

        The level is NaN where no more than the noise's share was measured, the low end −inf where
        nothing may be there; all are NaN where the power or the noise is not known.
        """
        known = np.isfinite(self.total) & np.isfinite(self.noise) & np.isfinite(self.relative)
        deviations = student_quantile(self.degrees)
        total, noise = np.where(known, self.total, 1.0), np.where(known, self.noise, 1.0)
        with np.errstate(invalid="ignore", over="ignore", divide="ignore"):
            silent = noise <= 0.0  # no noise at all: the value is exact
            low = np.where(silent, total, self._end(total, deviations))
            # Less than the noise's share says no more of the high end than that much does.
            high = np.where(silent, total, self._end(np.maximum(total, noise), -deviations))
            left = np.maximum(total - noise, 0.0)
        parts = (np.where(left > 0.0, left, np.nan), np.minimum(low, left), np.maximum(high, left))
        return tuple(np.where(known, power_to_db(part), np.nan) for part in parts)  # type: ignore[return-value]


TWO_SIDED = 1.959963984540054
"""Half of a 95 % interval over its standard deviation (from its definition: the normal
distribution's 97.5 % quantile)."""


def student_quantile(degrees: FloatArray) -> FloatArray:
    """Return the 97.5 % quantile of Student's distribution.

    By the expansion of Cornish and Fisher (Abramowitz and Stegun 1964, 26.7.5): with 2 degrees of
    freedom, the fewest that count, it is 0.75 % too small, with 4 right to 0.03 %.
    """
    x = TWO_SIDED
    v = np.maximum(np.asarray(degrees, dtype=float), 2.0)
    return np.asarray(
        x
        + (x**3 + x) / 4.0 / v
        + (5.0 * x**5 + 16.0 * x**3 + 3.0 * x) / 96.0 / v**2
        + (3.0 * x**7 + 19.0 * x**5 + 17.0 * x**3 - 15.0 * x) / 384.0 / v**3
        + (79.0 * x**9 + 776.0 * x**7 + 1482.0 * x**5 - 1920.0 * x**3 - 945.0 * x) / 92160.0 / v**4
    )


def normal_share(deviate: FloatArray) -> FloatArray:
    """Return the share of a normal distribution below a deviate, in units of its deviation.

    By the polynomial of Hastings (Abramowitz and Stegun 1964, 26.2.17), right to 7.5e-8.
    """
    x = np.abs(deviate)
    t = 1.0 / (1.0 + 0.2316419 * x)
    tail = 1.781477937 + t * (-1.821255978 + t * 1.330274429)
    tail = t * (0.319381530 + t * (-0.356563782 + t * tail))
    beyond = np.exp(-0.5 * x**2) / np.sqrt(2.0 * np.pi) * tail
    return np.asarray(np.where(deviate < 0.0, beyond, 1.0 - beyond))


def errors_of_difference(
    level: Sequence[FloatArray | float], other: Sequence[FloatArray | float]
) -> tuple[FloatArray, FloatArray]:
    """Return how far a difference of two levels reaches down and up, each (value, low, high).

    Independent errors add as squares (GUM, JCGM 100:2008, 5.1.2).
    """
    (level_db, low_db, high_db), (other_db, other_low_db, other_high_db) = level, other
    with np.errstate(invalid="ignore"):
        down = np.hypot(np.subtract(level_db, low_db), np.subtract(other_high_db, other_db))
        up = np.hypot(np.subtract(high_db, level_db), np.subtract(other_db, other_low_db))
    return np.asarray(down), np.asarray(up)


def is_reliable(low_db: FloatArray, high_db: FloatArray) -> BoolArray:
    """Tell where an interval's half-width is at most `RELIABLE_HALF_WIDTH_DB`."""
    with np.errstate(invalid="ignore"):
        return np.asarray(high_db - low_db <= 2.0 * RELIABLE_HALF_WIDTH_DB)


RELIABLE_HALF_WIDTH_DB = 1.5
"""A value is called reliable where its interval reaches no farther to either side, on average
(contract)."""
