"""Passes of one rung, held against each other: their mean, what moved between them, a spoilt one.

Each pass reads z = h + e at a grid point, with noise e of the mean square that the background
predicts. What the passes differ by beyond that has two parts. What moves z along its own direction
as much as across it is noise that the silence did not hold, such as a passing car: it adds to the
noise of the mean. What moves it along its direction only is a gain, of the loudspeaker or of the
chain: it is the same all over a band, so that no averaging over frequency lessens it, and of N
passes only N − 1 values of it are known. Where one moves across only, the time of arrival moved,
and no amplitude.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.noise.certainty import DB_PER_RATIO
from distsweep.units import BoolArray, ComplexArray, FloatArray

POOLED_POINTS = 17
"""Grid points over which the spread between passes is averaged (chosen: a third of an octave, in
which the windows are worth a dozen independent values above the bass)."""

MORE_THAN_NOISE = 2.326
"""Deviations above the noise's spread from which one that is there along a value and across it
counts as more noise, a Gaussian's 99 % quantile (chosen: noise alone passes it in both directions
once in ten thousand values)."""

MOVED = 3.719
"""Deviations above the noise's spread from which one in a single direction counts as a gain, or a
time of arrival, that moved: a Gaussian's quantile of one in ten thousand (chosen: as seldom as the
other. Student's quantile of one or two degrees of freedom makes many decibels of a gain that noise
feigns, and of one in a hundred of these every take would have some)."""

UNLIKE_POINTS = 9
"""Grid points over which one pass's distance from the others is averaged (chosen: a sixth of an
octave; a knock of a twentieth of a second fills that much with the window around it)."""

WIDE_POINTS = 12
"""Grid points at which a pass must be unlike the others to be left out (chosen: a quarter of an
octave; a single point that is off is `UNLIKE_POINTS` wide after averaging, a knock of a twentieth
of a second 14 and more)."""

NOISE_CHANCE = 1e-5
"""Chance with which noise alone may take a pass so far from the others at one point (chosen: a take
has some thousands of independent points, and of those a quarter of an octave must agree)."""

OTHERS_CHANCE = 0.01
"""The same for the spread among the others, all passes of a rung together (chosen: one rung in a
hundred whose passes all differ may lose one, and says so)."""

MOVES = 0.0115
"""Share of the others' mean by which a pass must move the mean of all to be left out (chosen: a
tenth of a decibel; a loudspeaker's first pass follows silence, and differs by traces)."""

UNEXPLAINED = 3.0
"""Power of the others' spread over the noise's up to which noise explains it (chosen: with three
passes it has at least 2 degrees of freedom, and exceeds this in 5 % of single points)."""


@dataclass(frozen=True)
class PassSpread:
    """What the passes of rungs differ by beyond what the background explains.

    Attributes
    ----------
    noise : mean square that the noise of the mean has besides the floors', ``(order, R, F)``.
    degrees : its degrees of freedom, same shape.
    gain_db : half-width of the 95 % interval that changes of gain leave, same shape.
    """

    noise: FloatArray
    degrees: FloatArray
    gain_db: FloatArray

    def of_rungs(self, rows: Sequence[int]) -> PassSpread:
        """Return that of some rungs."""
        return PassSpread(*(x[:, list(rows)] for x in (self.noise, self.degrees, self.gain_db)))

    def added_to(self, power: FloatArray, degrees: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Add the noise's power to another estimate, with their degrees of freedom together.

        Those are Welch's and Satterthwaite's (JCGM 100:2008, G.4.1).
        """
        whole = power + self.noise
        return whole, whole**2 / (power**2 / degrees + self.noise**2 / self.degrees)


@dataclass(frozen=True)
class PassNoise:
    """What the background predicts for the passes of one rung.

    Attributes
    ----------
    power : mean square of the noise in each, shape ``(order, N, F)``; NaN where it is not known.
    degrees : degrees of freedom of these estimates, same shape.
    windows : how many independent values `POOLED_POINTS` points are worth, ``(order, F)``.
    """

    power: FloatArray
    degrees: FloatArray
    windows: FloatArray


def unlike_pass(values: ComplexArray, background: PassNoise) -> int | None:
    """Return which of three or more passes is unlike all others, None where there is none.

    At `WIDE_POINTS` points of one order it must move the mean, and be farther from the others'
    mean than the background explains, and than the others are from one another. The last two are
    ratios of a complex Gaussian's square to a mean of k others, which exceed k·(p^(−1/k) − 1) with
    the chance p (by the formula of F with 2 and 2k degrees of freedom).

    Parameters
    ----------
    values : of each order and pass, shape ``(order, N, F)``.
    """
    passes = values.shape[1]
    if passes < 3:
        return None
    by_others = _limit(OTHERS_CHANCE / passes, np.array(passes - 2.0))
    wide = _widths_apart(values, background, by_others=by_others)
    worst = int(np.argmax(wide))
    return worst if wide[worst] >= WIDE_POINTS else None


def passes_differ(values: ComplexArray, background: PassNoise) -> bool:
    """Tell whether passes that are averaged differ as `unlike_pass` asks, by whichever of them.

    That is where two passes cannot say which of them is spoilt, or more than one of several is.

    Parameters
    ----------
    values : of each order and pass, shape ``(order, N, F)``.
    """
    if values.shape[1] < 2:
        return False
    return max(_widths_apart(values, background, by_others=np.array(0.0))) >= WIDE_POINTS


def _widths_apart(
    values: ComplexArray, background: PassNoise, *, by_others: FloatArray
) -> list[int]:
    """Return at how many points of one order each pass is apart from the others' mean.

    ``by_others`` is how much of the others' own spread it must exceed besides the noise.
    """
    passes = values.shape[1]
    wide = []
    for number in range(passes):
        others = np.delete(values, number, axis=1)
        mean = np.mean(others, axis=1)
        apart = np.abs(values[:, number] - mean) ** 2 * (passes - 1.0) / passes
        spread = np.sum(np.abs(others - mean[:, None]) ** 2, axis=1) / max(passes - 2.0, 1.0)
        own, of_others = (
            background.power[:, number],
            np.mean(np.delete(background.power, number, axis=1), axis=1),
        )
        by_noise = _limit(NOISE_CHANCE, background.degrees[:, number] / 2.0)
        with np.errstate(invalid="ignore", divide="ignore"):
            moved = _pooled(apart, UNLIKE_POINTS) / _pooled(np.abs(mean) ** 2, UNLIKE_POINTS)
            apart = _pooled(apart * passes / ((passes - 1.0) * own + of_others), UNLIKE_POINTS)
            spread = _pooled(spread / of_others, UNLIKE_POINTS)
            far = apart > by_noise + by_others * np.maximum(spread - UNEXPLAINED, 0.0)
            far &= moved > (MOVES * passes) ** 2
        wide.append(int(np.max(np.sum(far, axis=1))))
    return wide


def spread_of(rungs: Sequence[ComplexArray], backgrounds: Sequence[PassNoise]) -> PassSpread | None:
    """Compare the spread between passes with what the background predicts.

    Parameters
    ----------
    rungs : of each rung the passes' values, shape ``(order, N, F)``; N need not be the same.
    backgrounds : of each rung.

    Returns
    -------
    None where no rung has more than one pass.
    """
    if all(values.shape[1] < 2 for values in rungs):
        return None
    parts = [_spread(*rung) for rung in zip(rungs, backgrounds, strict=True)]
    return PassSpread(*(np.stack([part[i] for part in parts], axis=1) for i in range(3)))


def _spread(
    values: ComplexArray, background: PassNoise
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return noise, degrees and gain_db of one rung, shape ``(order, F)`` each."""
    passes, nothing = values.shape[1], np.zeros((len(values), values.shape[2]))
    if passes < 2:
        return nothing, np.full_like(nothing, np.inf), nothing
    from scipy.special import stdtrit

    mean = np.mean(values, axis=1)
    size = np.maximum(np.abs(mean), 1e-300)
    with np.errstate(invalid="ignore"):
        turned = (values - mean[:, None]) * (np.conj(mean) / size)[:, None]
    sizes = [np.sum(part**2, axis=1) / (passes - 1.0) for part in (turned.real, turned.imag)]
    power = np.mean(background.power, axis=1)
    known = (passes - 1.0) * background.windows
    of_silence = np.min(background.degrees, axis=1) * background.windows
    with np.errstate(invalid="ignore", divide="ignore"):
        along, across = (_pooled(2.0 * part / power, POOLED_POINTS) for part in sizes)
        least = np.minimum(*(_deviate(part, known, of_silence) for part in (along, across)))
        more_noise = least > MORE_THAN_NOISE
        # More noise than the silence held is known by the spread across, which no gain is in.
        expected = np.maximum(across, 1.0)
        of_expected = np.where(more_noise, known, of_silence)
        moved = _deviate(along / expected, known, of_expected) > MOVED
        # Only across moves the time of arrival; where neither moved, both tell of noise.
        arrival = more_noise & (_deviate(across / along, known, known) > MOVED)
        both = more_noise & ~moved & ~arrival
        noise = np.select([arrival, both, more_noise], [along, 0.5 * (along + across), across], 1.0)
        gain = _pooled(sizes[0] - 0.5 * noise * power, POOLED_POINTS)
        gain = np.maximum(gain, 0.0) / _pooled(size**2, POOLED_POINTS)
    gain_db = (
        DB_PER_RATIO
        * float(stdtrit(passes - 1.0, 0.975))
        * np.sqrt(np.where(moved, gain, 0.0) / passes)
    )
    added = np.nan_to_num((noise - 1.0) * power / passes)
    return added, np.where(both, 2.0, 1.0) * known, gain_db


def _deviate(ratio: FloatArray, degrees: FloatArray, below: FloatArray) -> FloatArray:
    """Return how many deviations the ratio of two estimates of one power lies above 1.

    It has F's distribution, of ``degrees`` above the line and ``below`` it; its deviate is
    Paulson's (Annals of Mathematical Statistics 13, 1942), by the cube root.
    """
    own, lower = 2.0 / 9.0 / degrees, 2.0 / 9.0 / below
    root = np.cbrt(ratio)
    return np.asarray(((1.0 - lower) * root - (1.0 - own)) / np.sqrt(lower * root**2 + own))


def _limit(chance: float, k: FloatArray) -> FloatArray:
    """Return k·(chance^(−1/k) − 1), and its limit −ln chance for many degrees of freedom."""
    each = -math.log(chance) / np.maximum(k, 1.0)
    return np.asarray(-math.log(chance) * np.expm1(each) / each)


def _pooled(values: FloatArray, points: int) -> FloatArray:
    """Return running means along the last axis over the finite ones of neighbouring points."""
    held: BoolArray = np.isfinite(values)
    half = points // 2
    last = np.arange(values.shape[-1])
    first, last = np.maximum(last - half, 0), np.minimum(last + half + 1, len(last))

    def sums(part: FloatArray) -> FloatArray:
        running = np.cumsum(part, axis=-1)
        running = np.concatenate([np.zeros_like(running[..., :1]), running], axis=-1)
        return np.asarray(running[..., last] - running[..., first])

    with np.errstate(invalid="ignore", divide="ignore"):
        mean = sums(np.where(held, values, 0.0)) / sums(held.astype(float))
    return np.where(held, mean, np.nan)
