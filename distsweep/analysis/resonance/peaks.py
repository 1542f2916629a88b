"""Narrow peaks of a curve over log-frequency: how far they stand out, how wide, how sure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from distsweep.analysis.sweep.grid import POINTS_PER_OCTAVE
from distsweep.units import BoolArray, FloatArray, db_to_ratio

SURROUNDINGS_OCTAVES = 0.5
"""Surroundings reach so far to either side (chosen: a mode of Q 8 is 1/5 octave wide, so that
most of an octave around it is free of it)."""

WIDEST_OCTAVES = 0.45
"""A maximum wider than this at half its prominence is a rise, not a peak (chosen: a mode of Q 8
that lifts by 15 dB is 0.43 octaves wide there, as follows from |1 + 4.6/(1 + jx)|)."""

LEAST_PROMINENCE_DB = 3.0
"""Less is not looked at (chosen: a reflection 12 dB down makes a ripple of 4 dB from peak to
dip)."""

LEAST_SURPRISE = 10.0
"""Noise makes a peak as high once in exp(10) = 22 000 points (chosen: its amplitude is Rayleigh
distributed, and a take of 5 rungs and 10 orders has some 15 000 points, every other one
independent)."""

_MEDIAN_STRIDE = 3
"""Every third point enters a median (chosen: neighbouring points share their window)."""


@dataclass(frozen=True)
class Spike:
    """A narrow peak.

    Attributes
    ----------
    frequency_hz : of the top, refined between grid points.
    level_db : of the top's grid point.
    prominence_db : height over its surroundings, see `prominences_db`.
    width_octaves : at half of the prominence.
    """

    frequency_hz: float
    level_db: float
    prominence_db: float
    width_octaves: float


def prominences_db(levels_db: FloatArray) -> FloatArray:
    """Return how far each point stands above its surroundings.

    That is the lesser of two heights: over the median within half an octave to either side,
    and over the higher of the two valleys that lie there. The first alone would make a peak of
    the end of a slope, the second alone one of what lies between two nulls.

    Parameters
    ----------
    levels_db : curves on the grid of excitation frequencies, shape ``(…, F)``; NaN where there is
        none.

    Returns
    -------
    Shape ``(…, F)``, NaN where the level is.
    """
    reach = round(SURROUNDINGS_OCTAVES * POINTS_PER_OCTAVE)
    levels = np.where(np.isfinite(levels_db), levels_db, np.nan)
    edge = [(0, 0)] * (levels.ndim - 1) + [(reach, reach)]
    windows = sliding_window_view(np.pad(levels, edge, constant_values=np.nan), 2 * reach + 1, -1)
    left = np.fmin.reduce(windows[..., : reach + 1], axis=-1)
    right = np.fmin.reduce(windows[..., reach:], axis=-1)
    over_valleys = levels - np.fmax(left, right)
    return np.asarray(np.fmin(over_valleys, levels - _median(windows)))


def _median(windows: FloatArray) -> FloatArray:
    """Median over the last axis of what is a number: NaN is sorted to the end."""
    ordered = np.sort(windows[..., ::_MEDIAN_STRIDE], axis=-1)
    count = np.sum(np.isfinite(ordered), axis=-1)
    middle = np.maximum(count - 1, 0) // 2
    return np.asarray(np.take_along_axis(ordered, middle[..., None], axis=-1)[..., 0])


def surprise(levels_db: FloatArray, prominence_db: FloatArray, floors_db: FloatArray) -> FloatArray:
    """Return −ln of the probability that noise lifts the surroundings to each point's level.

    A noise of RMS amplitude σ reaches the amplitude a with the probability exp(−a²/σ²)
    (Rayleigh), in step with what is there at worst; a is here the point's amplitude less that
    of its surroundings. All arrays have one shape; infinite where there is no noise, 0 where the
    floor is not known.
    """
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        top = db_to_ratio(levels_db - floors_db)
        below = db_to_ratio(levels_db - prominence_db - floors_db)
        value = np.where(np.isneginf(floors_db), np.inf, (top - below) ** 2)
    return np.where((prominence_db > 0.0) & ~np.isnan(value), value, 0.0)


def find_spikes(
    frequency_hz: FloatArray,
    level_db: FloatArray,
    prominence_db: FloatArray,
    surprises: FloatArray,
    usable: BoolArray,
    *,
    least_db: float = LEAST_PROMINENCE_DB,
) -> list[Spike]:
    """Return a curve's peaks, lowest frequency first; arrays of shape ``(F,)``.

    A peak is a local maximum that stands out by ``least_db``, is narrower than
    WIDEST_OCTAVES, and that noise does not explain. ``usable`` is False where a point must not
    be a top.
    """
    with np.errstate(invalid="ignore"):
        top = (prominence_db >= least_db) & (surprises >= LEAST_SURPRISE) & usable
        top[1:] &= level_db[1:] >= level_db[:-1]
        top[:-1] &= level_db[:-1] > level_db[1:]
    top[[0, -1]] = False
    found = []
    for index in np.flatnonzero(top):
        width = width_octaves(level_db, int(index), float(prominence_db[index]))
        if width <= WIDEST_OCTAVES:
            found.append(
                Spike(
                    refined_hz(frequency_hz, level_db, int(index)),
                    float(level_db[index]),
                    float(prominence_db[index]),
                    width,
                )
            )
    return found


def width_octaves(level_db: FloatArray, index: int, prominence_db: float) -> float:
    """Return the width of a peak where it has lost half of its prominence.

    Crossings are interpolated; a side that ends before it is crossed makes it infinite.
    """
    threshold = level_db[index] - 0.5 * prominence_db
    total = 0.0
    for side in (level_db[index:], level_db[index::-1]):
        crossed = np.flatnonzero(~(side > threshold))
        if not len(crossed) or not np.isfinite(side[crossed[0]]):
            return float("inf")
        last = int(crossed[0])
        above, below = float(side[last - 1]), float(side[last])
        total += last - 1 + float((above - threshold) / (above - below))
    return total / POINTS_PER_OCTAVE


def refined_hz(frequency_hz: FloatArray, level_db: FloatArray, index: int) -> float:
    """Return the top of the parabola through a grid point and its neighbours, over log f."""
    if not 0 < index < len(level_db) - 1:
        return float(frequency_hz[index])
    before, here, after = (float(level_db[index + k]) for k in (-1, 0, 1))
    bend = before - 2.0 * here + after
    offset = 0.0
    if np.isfinite(bend) and bend < 0.0:
        offset = float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5))
    step = float(frequency_hz[index + 1] / frequency_hz[index])
    return float(frequency_hz[index] * step**offset)
