"""How far one placement of the microphone lies from the mean over placements, from k of them.

The model. A placement is one draw of a place; what it does to a curve, in dB, is one deviation d(f)
from the mean over all placements that were as careful. Its variance s²(f) changes slowly with
frequency (a path that is longer by δ turns its sound by 2πfδ/c), so that squares are pooled over an
octave around each frequency; and it is linear, the same at all levels, so that they are pooled over
the rungs too, by how well noise leaves each known. What noise adds to the squares, known from the
values' own intervals, is taken off them.

Degrees of freedom. However many frequencies are pooled, they were all heard from the same places.
What moves a whole octave alike (the distance) has k − 1 degrees of freedom. What differs within the
octave (a comb's teeth) is moved by each path's own direction: two coordinates of a place are left
for it, and it has 2·(k − 1). The two are joined by the formula of Welch and Satterthwaite (JCGM
100:2008, G.4.1), and the half-width is t₉₅(ν)·s.

What is claimed. The half-width around one placement's value holds, in 95 of 100 cases, the mean
over placements (in dB): the standard uncertainty of reproducibility of JCGM 100:2008 and ISO 5725-1
(both from memory), with only the place changed. The value of another single placement lies within
√2 times as far, as a difference of two values, each with its own interval, is taken to.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.analysis.noise.interval import RELIABLE_HALF_WIDTH_DB, TWO_SIDED
from distsweep.units import BoolArray, FloatArray

POOLED_OCTAVES = 1.0
"""Width over which squares are pooled (chosen: it holds several teeth of a comb from 300 Hz up, and
in it 2πfδ/c changes by two)."""

OTHER_COORDINATES = 2
"""Of a place, beside its distance (by geometry; with all three the intervals of single frequencies
from two placements hold the mean in 92 of 100 cases, with two in 95: by simulated rooms drawn from
seeds 40300 to 40305 of tests/moved_microphone.py)."""

ROUGH_DB = 0.2
"""Noise under this hardly lowers a value's weight among those pooled (chosen: a microphone that is
2 cm off at 1 m moves levels by as much)."""


@dataclass(frozen=True)
class Spread:
    """What a placement moves a curve by; arrays of shape ``(F,)``, NaN where nothing is known.

    ``deviation_db`` is the standard deviation of one placement, ``half_width_db`` half the 95 %
    interval that it leaves, by ``degrees`` of freedom.
    """

    deviation_db: FloatArray
    half_width_db: FloatArray
    degrees: FloatArray


def place_spread(
    frequency_hz: FloatArray, values_db: FloatArray, low_db: FloatArray, high_db: FloatArray
) -> Spread:
    """Return by how much a placement moves a curve.

    Parameters
    ----------
    frequency_hz : rising, shape ``(F,)``.
    values_db, low_db, high_db : a curve and the ends of the intervals that noise leaves, shape
        ``(k, R, F)``: placements, of which two or more are needed, and rungs. What is not known
        within `RELIABLE_HALF_WIDTH_DB` in every placement takes no part. Where nothing within half
        an octave does, the nearest frequency of which something is known stands for it.
    """
    count = len(values_db)
    with np.errstate(invalid="ignore"):
        noise_db = (high_db - low_db) / 2.0
        known = np.all(
            (noise_db <= RELIABLE_HALF_WIDTH_DB) & np.isfinite(values_db + low_db + high_db), axis=0
        )
    noise = np.where(known, np.mean((noise_db / TWO_SIDED) ** 2, axis=0), 0.0)
    weight = np.where(known, 1.0 / (noise + ROUGH_DB**2) ** 2, 0.0)
    values = np.where(known, values_db, 0.0)
    deviation = values - np.mean(values, axis=0)
    square = np.sum(deviation**2, axis=0) / (count - 1)
    near = _within_half_the_width(frequency_hz)
    with np.errstate(invalid="ignore", divide="ignore"):
        total_weight = weight @ near
        alike = np.sum(((deviation * weight) @ near / total_weight) ** 2, axis=0) / (count - 1)
        pooled = np.sum(((square - noise) * weight) @ near, axis=0) / np.sum(total_weight, axis=0)
        # The mean of an octave, where the rung has anything there, by the rungs' weights.
        alike = np.nansum(alike * total_weight, axis=0) / np.sum(total_weight, axis=0)
    variance = np.maximum(pooled, 0.0)
    degrees = _joined_degrees(np.minimum(alike, variance), variance, count - 1)
    half_width = student(degrees) * np.sqrt(variance)
    somewhere = np.isfinite(variance)
    return Spread(*(_nearest(part, somewhere) for part in (np.sqrt(variance), half_width, degrees)))


def _within_half_the_width(frequency_hz: FloatArray) -> FloatArray:
    """Return which frequencies are pooled with which, 1 or 0, shape ``(F, F)``."""
    octave = np.log2(frequency_hz)
    # A band of an octave's fraction on the edge is in, whatever its last bit.
    apart = np.abs(octave[:, None] - octave)
    return np.where(apart <= POOLED_OCTAVES / 2.0 + 1e-6, 1.0, 0.0)


def _joined_degrees(alike: FloatArray, variance: FloatArray, deviations: int) -> FloatArray:
    """Return the degrees of freedom of a sum of two variances (Welch and Satterthwaite)."""
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(variance > 0.0, alike / variance, 1.0)
    return np.asarray(deviations / (share**2 + (1.0 - share) ** 2 / OTHER_COORDINATES))


def _nearest(values: FloatArray, known: BoolArray) -> FloatArray:
    """Return values with those that are not known taken from the nearest that is."""
    if not np.any(known):
        return np.full(values.shape, np.nan)
    places = np.flatnonzero(known)
    every = np.arange(len(values))
    return np.asarray(values[places[np.argmin(np.abs(every[:, None] - places), axis=1)]])


def student(degrees: FloatArray) -> FloatArray:
    """Return the 97.5 % quantile of Student's distribution from one degree of freedom on."""
    from scipy.special import stdtrit

    return np.asarray(stdtrit(np.maximum(degrees, 1.0), 0.975))
