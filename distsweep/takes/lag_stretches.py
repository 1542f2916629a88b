"""Stretches of a sweep that arrive alike late, re the sweep before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.takes.lags import Lags

STEADY_SAMPLES, STEADY_PERIODS = 2.5, 0.02
"""Neighbouring frames whose lags differ by less than either of these belong together (chosen: a
lag is known to a small part of a period, and the least block that is looked for is 16 samples)."""

CLOCK_FROM_HZ, WANDER_STEPS = 500.0, 3.0
"""A clock that wanders makes lags change from frame to frame, above the first; then neighbouring
frames belong together if they differ by up to so many times as much as most (chosen: a block that
is lost changes one of twenty)."""

LIKE = 0.5
"""Frames whose correlation with the sweep before is below this tell nothing (chosen: two sweeps
in noise as strong as themselves reach it)."""


@dataclass(frozen=True)
class Stretch:
    """Neighbouring frames of a sweep with one lag.

    ``begins`` and ``ends`` are the lag at its two ends, ``spread`` is how far lags differ where
    clocks show, and ``steady`` what neighbours may differ by.
    """

    first: int
    last: int
    lag: float
    begins: float
    ends: float
    spread: float
    steady: float


def clock_wanders(stretches: Sequence[Stretch]) -> bool:
    """Tell whether lags change within stretches in which nothing jumps: the clock wanders."""
    return any(one.spread >= STEADY_SAMPLES for one in stretches)


def lag_stretches(lags: Lags, row: int) -> list[Stretch]:
    """Divide a sweep into stretches of one lag; single frames that agree with neither are none."""
    lag, known = lags.lags[row], lags.likeness[row] > LIKE
    rate_hz = lags.rate_hz
    frames = np.flatnonzero(known)
    changes = np.abs(np.diff(lag[frames[lags.frequency_hz[frames] >= CLOCK_FROM_HZ]]))
    wander = WANDER_STEPS * float(np.median(changes)) if len(changes) else 0.0
    steady = np.maximum(max(STEADY_SAMPLES, wander), STEADY_PERIODS * rate_hz / lags.frequency_hz)
    runs: list[list[int]] = []
    for frame in frames:
        if runs and abs(lag[frame] - lag[runs[-1][-1]]) <= steady[runs[-1][-1]]:
            runs[-1].append(int(frame))
        else:
            runs.append([int(frame)])
    last = int(frames[-1]) if len(frames) else -1
    kept = [run for run in runs if len(run) > 1 or run[0] == last]
    joined: list[list[int]] = []
    for run in kept:
        before = lag[joined[-1][-3:]] if joined else np.array([np.inf])
        if abs(np.median(before) - np.median(lag[run[:3]])) <= steady[run[0]]:
            joined[-1] += run
        else:
            joined.append(run)
    found = []
    for run in joined:
        high = [frame for frame in run if lags.frequency_hz[frame] >= CLOCK_FROM_HZ]
        found.append(
            Stretch(
                run[0],
                run[-1],
                lag=float(np.median(lag[run[-max(3, len(run) // 2) :]])),
                begins=float(np.median(lag[run[:3]])),
                ends=float(np.median(lag[run[-3:]])),
                spread=float(np.ptp(lag[high])) if high else 0.0,
                steady=max(STEADY_SAMPLES, wander),
            )
        )
    return found
