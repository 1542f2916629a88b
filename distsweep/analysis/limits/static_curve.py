"""The static curve of a limiter or compressor: its formula, and its fit to levels."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.narrowing import Axis, Minimum, narrowed_minimum
from distsweep.units import FloatArray, ratio_to_db

INFINITE_RATIO_FROM = 20.0
"""A ratio of so many is as good as infinite (chosen: 20 dB more in give less than 1 dB more out).
"""

NARROWEST_KNEE_DB, WIDEST_KNEE_DB = 0.5, 30.0
"""Knees that are looked for (chosen: between steps of 1 dB or more a narrower one looks like none;
a wider one reaches over most of a staircase, and is the curve itself)."""

HARD_KNEE_CHI_SQUARE = 4.0
"""A hard knee is preferred while it misses the levels by no more than that, in squared
uncertainties, over the best soft one (chosen: two standard deviations; between two steps a narrow
knee and none at all look the same)."""

FIRST_THRESHOLDS, FIRST_KNEES = 61, 24
LATER_GRIDS, LATER_THRESHOLDS, LATER_KNEES, REACH = 12, 21, 13, 3.0
"""The search: so many thresholds and knees at first, then so many grids of fewer, each as far as
three steps of the one before to either side (chosen: the last steps are about 0.001 dB, and two
steps of reach lost the valley now and then, along which threshold and knee make up for each other).
"""

BOUNDS_KNEES = 40
"""So many knees are tried for the bounds (chosen: each a tenth wider than the one before)."""

LEAST_DB = 0.01
"""Smallest uncertainty that a level is given (chosen: what a loudspeaker repeats itself to)."""

WITHIN_CHI_SQUARE = 4.0
"""A curve counts as possible while it misses the levels by no more than that, in squared
uncertainties, over the best one (chosen: two standard deviations of one parameter)."""

MODEL_DB = 0.02
"""Least uncertainty of a level where bounds are asked for (chosen: what a mildly curved
loudspeaker behind a limiter bends its curve by)."""

STEEPEST = -1.05
"""Steepest gain change over drive that is reckoned with (chosen: a limiter holds the level; by a
twentieth more it may fall). Without it a steep curve with a wide knee passes for a hard one."""

THRESHOLD_STEP_DB = 0.1
"""Thresholds are tried so far apart, and bounds reach one step further (chosen: beside noise,
levels over a band are good for about that)."""

CURVE_NUMBERS = 4
"""A curve has so many numbers, by its formula: gain, threshold, ratio and knee."""


@dataclass(frozen=True)
class CurveBounds:
    """What the levels leave possible: ends of threshold and ratio, over knees of any width.

    ``ratio_high`` is None where an infinite ratio (20 or more) is possible.
    """

    threshold_low_dbfs: float
    threshold_high_dbfs: float
    ratio_low: float
    ratio_high: float | None


@dataclass(frozen=True)
class StaticCurve:
    """A fitted soft-knee curve.

    Attributes
    ----------
    threshold_dbfs : drive at the middle of the knee.
    slope : output step over drive step far above the threshold, 1/ratio; 0 is a limiter
        that holds the level, below 0 the output falls.
    knee_db : width of the knee.
    gain_db : output minus drive far below the threshold.
    fit_rms_db : root mean square of what the curve misses, weighted by certainty.
    """

    threshold_dbfs: float
    slope: float
    knee_db: float
    gain_db: float
    fit_rms_db: float

    @property
    def ratio(self) -> float | None:
        """Drive step over output step; None from 20 on, which counts as infinite."""
        return None if self.slope <= 1.0 / INFINITE_RATIO_FROM else 1.0 / self.slope

    def gain_change_db(self, drive_dbfs: FloatArray) -> FloatArray:
        """Return the gain re that far below the threshold, in dB."""
        bend = knee_shape_db(drive_dbfs, self.threshold_dbfs, self.knee_db)
        return np.asarray((self.slope - 1.0) * bend)


def knee_shape_db(
    drive_dbfs: FloatArray, threshold_dbfs: FloatArray | float, knee_db: FloatArray | float
) -> FloatArray:
    """Return how far the drive reaches over a soft threshold, in dB.

    0 below the knee, drive − threshold above it, (drive − threshold + W/2)²/(2W) inside; the
    gain change is (1/ratio − 1) times that. The arguments broadcast.

    References
    ----------
    Giannoulis, Massberg, Reiss, JAES 60(6), 2012, gain computer with soft knee.
    """
    over = np.asarray(drive_dbfs) - threshold_dbfs
    knee = np.maximum(knee_db, 1e-9)
    inside = np.clip(over + 0.5 * knee, 0.0, knee) ** 2 / (2.0 * knee)
    return np.asarray(inside + np.maximum(over - 0.5 * knee, 0.0))


def ratio_of_steps(drive_step: float, output_step: float) -> float:
    """Return the ratio that two amplitude factors mean: 20·log10 of each, divided.

    Asked for half as much again (1.5) and given a twentieth (1.05), that is 8.3.
    """
    return float(ratio_to_db(drive_step) / ratio_to_db(output_step))


def fit_static_curve(
    drive_dbfs: FloatArray, level_db: FloatArray, *, sigma_db: FloatArray | None = None
) -> StaticCurve:
    """Fit threshold, ratio and knee to steady levels.

    For a given threshold and knee, gain and slope follow from linear least squares; so only
    these two are searched, on a grid that is narrowed around the best place. No start value
    is needed, and no start value can mislead.

    Parameters
    ----------
    drive_dbfs, level_db : shape ``(R,)``, three or more.
    sigma_db : uncertainty of each level, shape ``(R,)``; all alike if None.

    Notes
    -----
    With no level above the threshold, or none below the knee, the fit is a formality: look
    at the gain change first. The knee's width comes from the levels inside it: with steps as
    wide as the knee it is little more than a guess.
    """
    drive = np.asarray(drive_dbfs, dtype=float)
    change = np.asarray(level_db, dtype=float) - drive
    sigma = np.full(len(drive), 1.0) if sigma_db is None else np.hypot(sigma_db, LEAST_DB)
    weight = 1.0 / sigma**2
    soft, hard = (_best(drive, change, weight, soft=soft) for soft in (True, False))
    # Without uncertainties the misfit of the best fit itself stands in.
    scale = 1.0 if sigma_db is not None else soft.misfit / len(drive) + LEAST_DB**2
    fit = hard if hard.misfit - soft.misfit <= HARD_KNEE_CHI_SQUARE * scale else soft
    threshold, knee = fit.place
    slope, gain, sse, _ = _linear(drive, change, weight, np.array([threshold]), np.array([knee]))
    return StaticCurve(
        threshold_dbfs=threshold,
        slope=1.0 + float(slope[0]),
        knee_db=knee,
        gain_db=float(gain[0]),
        fit_rms_db=math.sqrt(max(float(sse[0]), 0.0) / float(np.sum(weight))),
    )


def _best(drive: FloatArray, change: FloatArray, weight: FloatArray, *, soft: bool) -> Minimum:
    """Return threshold and knee of the best soft curve, or of the best hard one (knee 0)."""

    def misfits(thresholds: FloatArray, knees: FloatArray) -> FloatArray:
        tried = (grid.ravel() for grid in np.meshgrid(thresholds, knees, indexing="ij"))
        sse = _linear(drive, change, weight, *tried)[2]
        return sse.reshape(len(thresholds), len(knees))

    first = np.linspace(float(np.min(drive)), float(np.max(drive)), FIRST_THRESHOLDS)
    threshold = Axis(first, (LATER_THRESHOLDS,) * LATER_GRIDS, REACH)
    knee = Axis(np.zeros(1), (1,) * LATER_GRIDS)
    if soft:
        first = np.geomspace(NARROWEST_KNEE_DB, WIDEST_KNEE_DB, FIRST_KNEES)
        knee = Axis(first, (LATER_KNEES,) * LATER_GRIDS, REACH, lowest=0.0)
    return narrowed_minimum(misfits, threshold, knee)


def _linear(
    drive: FloatArray,
    change: FloatArray,
    weight: FloatArray,
    threshold: FloatArray,
    knee: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return the best (1/ratio − 1), gain and weighted squared misfit for each pair.

    Last comes one over the standard deviation of that slope.
    """
    shape = knee_shape_db(drive[None, :], threshold[:, None], knee[:, None])
    total = float(np.sum(weight))
    mean_shape, mean_change = shape @ weight / total, float(change @ weight) / total
    variance = (shape - mean_shape[:, None]) ** 2 @ weight
    covariance = (shape - mean_shape[:, None]) @ (weight * (change - mean_change))
    slope = np.where(variance > 1e-9, covariance / np.maximum(variance, 1e-9), 0.0)
    slope = np.clip(slope, STEEPEST, 0.0)  # a limiter does not turn the level up
    gain = mean_change - slope * mean_shape
    sse = (change[None, :] - gain[:, None] - slope[:, None] * shape) ** 2 @ weight
    return slope, gain, sse, np.sqrt(np.maximum(variance, 0.0))


def curve_bounds(
    drive_dbfs: FloatArray, gain_change_db: FloatArray, *, sigma_db: FloatArray
) -> CurveBounds:
    """Return which thresholds and ratios fit about as well as the best, whatever the knee.

    With wide steps threshold, knee and ratio trade against each other: every pair of threshold
    and knee on a grid is tried with its best slope.

    Parameters
    ----------
    drive_dbfs, gain_change_db, sigma_db : shape ``(R,)``, three or more.
    """
    drive, change = np.asarray(drive_dbfs, dtype=float), np.asarray(gain_change_db, dtype=float)
    sigma = np.maximum(sigma_db, MODEL_DB)
    weight = 1.0 / sigma**2
    highest_dbfs = float(np.max(drive)) + WIDEST_KNEE_DB / 2.0
    thresholds = np.arange(float(np.min(drive)), highest_dbfs, THRESHOLD_STEP_DB)
    knees = np.concatenate([[0.0], np.geomspace(NARROWEST_KNEE_DB, WIDEST_KNEE_DB, BOUNDS_KNEES)])
    grid_t, grid_w = (g.ravel() for g in np.meshgrid(thresholds, knees, indexing="ij"))
    best = np.array([_best(drive, change, weight, soft=soft).place for soft in (True, False)])
    grid_t, grid_w = np.concatenate([grid_t, best[:, 0]]), np.concatenate([grid_w, best[:, 1]])
    slope, _, sse, reach = _linear(drive, change, weight, grid_t, grid_w)
    # Where even the best curve misses by more than noise does, the levels are that uncertain.
    scale = max(1.0, float(np.min(sse)) / max(len(drive) - CURVE_NUMBERS, 1))
    limit = float(np.min(sse)) + WITHIN_CHI_SQUARE * scale
    possible = sse <= limit
    spare = np.sqrt(np.maximum(limit - sse[possible], 0.0)) / np.maximum(reach[possible], 1e-9)
    gentlest = float(np.max(np.minimum(slope[possible] + spare, 0.0)))
    steepest = float(np.min(np.maximum(slope[possible] - spare, STEEPEST)))
    return CurveBounds(
        threshold_low_dbfs=float(np.min(grid_t[possible])) - THRESHOLD_STEP_DB,
        threshold_high_dbfs=float(np.max(grid_t[possible])) + THRESHOLD_STEP_DB,
        ratio_low=1.0 / max(1.0 + gentlest, 1e-9),
        ratio_high=None if 1.0 + steepest <= 1.0 / INFINITE_RATIO_FROM else 1.0 / (1.0 + steepest),
    )
