"""What a limiter's memory and a coil's heat may add to what a filter does."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from distsweep.results import Take
from distsweep.units import FloatArray, db_to_power

RELEASE_MS = 300.0
"""Release that is assumed where no staircase gives one (chosen: between the 50 ms of a fast and the
1 s of a slow limiter that spares a woofer)."""

LEAST_RELEASE_MS = 1e-3
"""A release that is stated as nothing counts as this (chosen: far below a sweep's period)."""

SWEEP_S_PER_OCTAVE = 0.5
"""How long a sweep is taken to stay in an octave, as results do not hold it (chosen: 5 s for ten
octaves, as short as ladders are played; a slower one leaves a limiter more time)."""

SMOOTHED_POINTS = 9
"""So many places of the grid are averaged before a fall is taken (chosen: about a sixth of an
octave; resonances and noise would count as falls otherwise)."""

LEAST_RETURN_DB = 0.02
"""A first level that came back by so much lower is not heat (chosen: what a measurement repeats
itself to)."""

MOST_POWER = 10.0
"""Heat is carried on to so much more power at most (chosen: 10 dB; beyond it the drive leaves what
was measured anyhow)."""


def release_ms(takes: Sequence[Take], position: str) -> float | None:
    """Return the longest release that staircases at a position show; None without any."""
    found = [
        row.limiter.release_ms
        for take in takes
        if take.position == position
        for row in take.staircase
        if row.limiter is not None and row.limiter.release_ms is not None
    ]
    return max(found, default=None)


def still_down_db(
    frequency_hz: FloatArray, reduction_db: FloatArray, held_ms: float | None
) -> FloatArray:
    """Return how much further down than at rest a limiter is when a rising sweep passes, ``(F,)``.

    The gain's decibels come back with one time constant, and go down at once.

    Parameters
    ----------
    reduction_db : what the limiter takes from a steady sine at each frequency, positive.
    held_ms : its release; None: `RELEASE_MS`.
    """
    octaves = np.diff(np.log2(frequency_hz), prepend=np.log2(frequency_hz[0]))
    keep = np.exp(-octaves * SWEEP_S_PER_OCTAVE / _release_s(held_ms))
    state, extra = 0.0, np.zeros(len(frequency_hz))
    wanted = np.maximum(np.nan_to_num(reduction_db), 0.0)
    for place, (goal, kept) in enumerate(zip(wanted.tolist(), keep.tolist(), strict=True)):
        state = max(goal, goal + kept * (state - goal))
        extra[place] = state - goal
    return extra


def lagging_db(
    frequency_hz: FloatArray, reduction_db: FloatArray, held_ms: float | None
) -> FloatArray:
    """Return how much less a limiter takes at rest than it was measured to in a rising sweep.

    Where what it takes falls towards higher frequencies it lags behind by its time constant:
    τ·|dr/dt|, by the equation of one pole. Shapes are ``(D, F)``.
    """
    octaves = np.log2(frequency_hz)
    if len(octaves) < SMOOTHED_POINTS:
        return np.zeros(reduction_db.shape)
    ones = np.ones(SMOOTHED_POINTS) / SMOOTHED_POINTS
    padded = np.pad(reduction_db, ((0, 0), (SMOOTHED_POINTS // 2,) * 2), mode="edge")
    smooth = np.array([np.convolve(row, ones, mode="valid") for row in padded])
    fall = np.maximum(-np.gradient(smooth, octaves, axis=1), 0.0)
    return np.asarray(_release_s(held_ms) / SWEEP_S_PER_OCTAVE * fall)


def _release_s(held_ms: float | None) -> float:
    return 1e-3 * max(RELEASE_MS if held_ms is None else held_ms, LEAST_RELEASE_MS)


def heat_db(take: Take, takes: Sequence[Take], gain_db: FloatArray) -> float:
    """Return what more (or, negative, less) heat than in the ladder itself takes of the level.

    What the first level lost by the time it came back, or else what a staircase's loudest tone
    lost, grows as the mean power does that the filters let through, over the logarithm of
    frequency as a sweep spends its time.
    """
    back = take.return_check_db
    seen = -back if back is not None and back < -LEAST_RETURN_DB else 0.0
    seen = max(
        seen,
        *(row.thermal.seen_db for other in takes if other.position == take.position
          for row in other.staircase if row.thermal is not None),
        0.0,
    )  # fmt: skip
    if seen == 0.0:
        return 0.0
    power = min(float(np.mean(db_to_power(gain_db))), MOST_POWER)
    return seen * (power - 1.0)
