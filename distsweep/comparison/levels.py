"""What of two loudspeakers' levels differs: the sensitivity, the response, and what holds it back.

Over thirds of an octave. The response is what the quiet rungs give for a dB of drive; a level that
differs elsewhere by another amount than there is held back by another amount.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.comparison.aligned import Ladder, Place
from distsweep.comparison.beyond_doubt import (
    HALF_WIDTH_DEVIATIONS,
    deviations,
    difference_ends,
)
from distsweep.comparison.differences import Doubts
from distsweep.comparison.placed import FUNDAMENTAL
from distsweep.results import SAME_DRIVE_DB
from distsweep.results.reproducibility import THIRDS
from distsweep.results.rung_curves import Curves
from distsweep.units import BoolArray, FloatArray

STILL_DB = 0.2
"""A rung whose gain is that of the quieter ones within this belongs to the response (chosen: twice
what levels repeat within)."""

NOISE_WIDTHS = 1.5
"""... or by this many half-widths of 95 % intervals, where noise moves it by more (formula: three
standard deviations)."""

LEAST_HALF_WIDTH_DB = 1e-3
"""No rung weighs more than one with this half-width (chosen: far below `REPEATS_DB`)."""

MOST = 0.6
"""Where so large a share of the bands differs by the same amount, the sensitivity does (chosen:
more than half, as a filter may well change the other third)."""


@dataclass(frozen=True)
class Levels:
    """Differences of levels over the bands; other less first, dB.

    ``response_db`` is that of the small-signal gain, ``sensitivity_db`` what most bands share (0
    where they share none), ``lacks_quiet`` tells where neither is known as one side has no quiet
    rung, ``(B,)``; with deviations of the sensitivity, of the rest of the response, and of
    the gain change at each place, ``(P, B)``.
    """

    frequency_hz: FloatArray
    response: Curves
    sensitivity_db: float
    sensitivity_deviations: float
    rest_deviations: FloatArray
    lacks_quiet: BoolArray
    gain_change: Curves
    gain_change_deviations: FloatArray

    def found_sensitivity_db(self, limit: float) -> float:
        """Return the sensitivity's difference where it is beyond doubt, else 0."""
        return self.sensitivity_db if abs(self.sensitivity_deviations) > limit else 0.0


def small_signal_gains(ladders: tuple[Ladder, Ladder]) -> tuple[Curves, Curves, BoolArray]:
    """Return the levels at 0 dBFS of drive that both ladders' quiet rungs give, ``(B,)`` each.

    Quiet are the rungs, from the lowest on, whose gain is the same on either side: one side may
    tell that a gain falls where noise hides it on the other. NaN where a ladder begins above drives
    at which the other's gain has changed already: it has no quiet rung. The last tells where.
    """
    still = [_still_up_to_dbfs(ladder) for ladder in ladders]
    quiet = np.minimum(*still)
    lacking = _lacks_quiet(ladders, still)
    # Else the lowest rung counts in any case: a ladder may begin above all of the other's.
    first, other = (
        _mean_gain(ladder, np.where(lacking, -np.inf, np.maximum(quiet, ladder.drives_dbfs[0])))
        for ladder in ladders
    )
    return first, other, lacking


def _lacks_quiet(ladders: tuple[Ladder, Ladder], still: Sequence[FloatArray]) -> BoolArray:
    """Tell where a ladder begins above drives at which the other's gain has changed, ``(B,)``."""
    begin_dbfs = max(ladder.drives_dbfs[0] for ladder in ladders)
    lacks = np.any(
        [
            (up_to_dbfs < ladder.drives_dbfs[-1]) & (up_to_dbfs < begin_dbfs - SAME_DRIVE_DB)
            for ladder, up_to_dbfs in zip(ladders, still, strict=True)
        ],
        axis=0,
    )
    return np.asarray(lacks)


def _still_up_to_dbfs(ladder: Ladder) -> FloatArray:
    """Return the drive before the first whose gain is not that of those below it, ``(B,)``."""
    still = np.full(len(ladder.frequency_hz), -np.inf)
    going = np.ones(still.shape, dtype=bool)
    for number, drive_dbfs in enumerate(ladder.drives_dbfs):
        below = _mean_gain(ladder, still)
        own = _mean_gain(ladder, np.full(still.shape, np.inf), only=number)
        with np.errstate(invalid="ignore"):
            noise = np.hypot(own.high - own.values, below.high - below.values)
            away = np.abs(own.values - below.values)
            going &= ~(away > np.maximum(STILL_DB, NOISE_WIDTHS * noise))
        still[going] = drive_dbfs
    return still


def _mean_gain(ladder: Ladder, up_to_dbfs: FloatArray, *, only: int | None = None) -> Curves:
    """Return the mean gain of rungs up to a drive, weighted by their variances, ``(B,)``."""
    gains = ladder.fundamental.values - ladder.drives_dbfs[:, None]
    half = (ladder.fundamental.high - ladder.fundamental.low) / 2.0
    take = np.isfinite(gains) & np.isfinite(half) & (ladder.drives_dbfs[:, None] <= up_to_dbfs)
    if only is not None:
        take &= np.arange(len(gains))[:, None] == only
    weight = np.where(take, 1.0 / np.maximum(half, LEAST_HALF_WIDTH_DB) ** 2, 0.0)
    total = np.sum(weight, axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.sum(weight * np.where(take, gains, 0.0), axis=0) / total
        width = 1.0 / np.sqrt(total)
    return Curves(mean, mean - width, mean + width)


def compare_levels(
    ladders: tuple[Ladder, Ladder], places: Sequence[Place], doubts: Doubts
) -> Levels:
    """Hold levels against each other; ``places`` are at equal drive, perhaps none."""
    *sides, lacks_quiet = small_signal_gains(ladders)
    gains = sides[0], sides[1]
    doubt_db = doubts.at(FUNDAMENTAL, ladders[0].frequency_hz, THIRDS)
    response = difference_ends(*gains, doubt_db)
    shared_db = _shared(response.values)
    spread = doubts.shared(FUNDAMENTAL) / HALF_WIDTH_DEVIATIONS
    rest = deviations(*gains, doubt_db=doubt_db, less_db=shared_db)
    return Levels(
        ladders[0].frequency_hz,
        response,
        shared_db,
        shared_db / spread,
        rest,
        lacks_quiet,
        *_gain_changes(gains, places, doubts, shared_db),
    )


def _shared(response_db: FloatArray) -> float:
    """Return the difference that most bands share; 0 where there is none."""
    known = response_db[np.isfinite(response_db)]
    if not known.size:
        return 0.0
    middle = float(np.median(known))
    return middle if np.mean(np.abs(known - middle) <= STILL_DB) >= MOST else 0.0


def _gain_changes(
    gains: tuple[Curves, Curves],
    places: Sequence[Place],
    doubts: Doubts,
    sensitivity_db: float,
) -> tuple[Curves, FloatArray]:
    """Return differences of gain change and their deviations, ``(P, B)``.

    What a sensitivity that lies in front of the limit explains is not counted.
    """
    sides = [
        [_less(place.thirds[side].fundamental, gains[side]) for place in places if place.thirds]
        for side in (0, 1)
    ]
    bands = len(gains[0].values)
    nothing = np.zeros((0, bands))
    if not sides[0]:
        return Curves(nothing, nothing, nothing), nothing
    ours, theirs = (Curves.stacked(side) for side in sides)
    drives = np.array([place.at for place in places])
    tries = [
        deviations(ours, theirs, doubt_db=doubts.gain_db, less_db=explained)
        for explained in (0.0, sensitivity_db * _slope(drives, ours.values))
    ]
    return difference_ends(ours, theirs, doubts.gain_db), least_deviations(np.array(tries))


def _slope(drives_dbfs: FloatArray, gain_change_db: FloatArray) -> FloatArray:
    """Return how steeply a gain change runs with drive at most, dB per dB, ``(P, B)``.

    Twice the steeper of the steps beside: a bend inside a step may be at its end.
    """
    if len(drives_dbfs) < 2:
        return np.zeros(gain_change_db.shape)
    known = np.where(np.isfinite(gain_change_db), gain_change_db, np.nan)
    step = np.nan_to_num(np.diff(known, axis=0) / np.diff(drives_dbfs)[:, None])
    both = np.array([np.vstack([step[:1], step]), np.vstack([step, step[-1:]])])
    at = np.argmax(np.abs(both), axis=0)
    return np.asarray(np.maximum(2.0 * np.take_along_axis(both, at[None], axis=0)[0], -1.0))


def least_deviations(tries: FloatArray) -> FloatArray:
    """Return the deviations that the best of some explanations leaves, over the first axis.

    0 where one explains too little and another too much.
    """
    crossed = np.min(tries, axis=0) * np.max(tries, axis=0) < 0.0
    at = np.argmin(np.abs(tries), axis=0)
    return np.where(crossed, 0.0, np.take_along_axis(tries, at[None], axis=0)[0])


def _less(level: Curves, gain: Curves) -> Curves:
    """Return a level less a gain, with both intervals."""
    value = level.values - gain.values
    with np.errstate(invalid="ignore"):
        low = value - np.hypot(level.values - level.low, gain.high - gain.values)
        high = value + np.hypot(level.high - level.values, gain.values - gain.low)
    return Curves(value, low, high)


def held_back(levels: Levels, limit: float) -> BoolArray:
    """Tell at which places and bands the gain change differs beyond doubt, ``(P, B)``."""
    with np.errstate(invalid="ignore"):
        return np.asarray(np.abs(levels.gain_change_deviations) > limit)
