"""Attack and release: how fast the gain falls and recovers, from level against time.

A time constant is the time in which the gain, in dB, covers 63 % (1 − 1/e) of its way: the
response of a one-pole smoother in the log domain (Giannoulis, Massberg, Reiss, JAES 60(6),
2012). The measuring window is no part of it: the model is averaged as the signal is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.narrowing import Axis, narrowed_minimum
from distsweep.analysis.noise.certainty import DEVIATION_OF_MEDIAN
from distsweep.units import FloatArray, db_to_ratio, ratio_to_db

SUBSTEPS = 8
"""The model is averaged over a window in so many points (chosen: an exponential over a window of
its own time constant is then averaged to 0.1 %)."""

FIRST_GRID, LATER_GRIDS = 21, (7, 7, 7)
"""Values of the time constant that are tried, ever closer together (chosen: over ranges of 1500:1
and 600:1 the last step is 1.4 % and 1.2 %, a tenth of what a room leaves open)."""

SKIPPED_S = (0.0, 0.02, 0.04, 0.08, 0.16, 0.32)
"""A release is read so long after a burst's end, or later (chosen: ever longer, as long as rooms
reverberate)."""

LEAST_RELEASE_POINTS = 12
"""A release needs so many points (chosen: four times the numbers that are fitted, as
reverberation spoils the first)."""

EARLY_SHARE, EARLY_MISFIT = 12, 2.0
"""A release is read from late enough on once the first of so many parts of it is missed by no more
than so many deviations of the whole (chosen: reverberation lifts the first part far more)."""


@dataclass(frozen=True)
class Approach:
    """A gain that goes exponentially from one value to another.

    ``time_constant_s`` as above; ``start_db`` and ``end_db`` are the gain's values;
    ``rms_db`` is the root mean square of what the model misses.
    """

    time_constant_s: float
    start_db: float
    end_db: float
    rms_db: float


@dataclass(frozen=True)
class AttackCurve:
    """Gain against time at the start of a burst.

    Attributes
    ----------
    time_s : centres of the windows, after the instant the level began to change.
    gain_db : gain re the uncompressed one, shape ``(W,)``.
    target_time_s, target : how far the static curve's demand has grown at times during the
        ramp, 0…1; it is 1 afterwards.
    window_s : length of a window.
    """

    time_s: FloatArray
    gain_db: FloatArray
    target_time_s: FloatArray
    target: FloatArray
    window_s: float


def fit_attack(
    curves: list[AttackCurve], *, shortest_s: float, longest_s: float
) -> Approach | None:
    """Fit one time constant to the starts of several bursts.

    Each burst has a start and an end gain of its own, found by linear least squares for any
    time constant; so only the time constant is searched. ``start_db`` is the highest gain that
    was seen in the last burst, ``end_db`` where it leads. Returns None when no curve is given.

    Notes
    -----
    The fitted start gain itself is no gain that ever was: while the ramp is still under the
    threshold, a limiter that has not yet recovered goes on recovering, and only then attacks.
    """
    if not curves:
        return None
    best = _least(
        lambda tau: sum(_attack_misfit(curve, tau)[0] for curve in curves), shortest_s, longest_s
    )
    count = sum(len(curve.time_s) for curve in curves)
    _, _, end = _attack_misfit(curves[-1], best)
    start = float(np.max(curves[-1].gain_db))
    total = sum(_attack_misfit(curve, best)[0] for curve in curves)
    return Approach(best, start, end, float(np.sqrt(total / count)))


def _attack_misfit(curve: AttackCurve, tau: float) -> tuple[float, float, float]:
    """Return the squared misfit, start and end gain of one curve for a time constant."""
    offsets = (np.arange(SUBSTEPS) + 0.5) / SUBSTEPS - 0.5
    time = curve.time_s[:, None] + curve.window_s * offsets
    decay = np.exp(-np.maximum(time, 0.0) / tau)
    reached = one_pole(time, curve.target_time_s, curve.target, tau)
    basis = np.stack([decay.mean(axis=1), reached.mean(axis=1)], axis=1)
    normal = basis.T @ basis + 1e-9 * np.eye(2)
    found = np.linalg.solve(normal, basis.T @ curve.gain_db)
    for _ in range(2):
        # The window averages amplitude, not decibels: the difference is put into the data.
        inner = np.clip(found[0] * decay + found[1] * reached, -80.0, 20.0)
        seen = np.asarray(ratio_to_db(db_to_ratio(inner).mean(axis=1)))
        excess = seen - basis @ found
        found = np.linalg.solve(normal, basis.T @ (curve.gain_db - excess))
    miss = curve.gain_db - excess - basis @ found
    return float(np.sum(miss**2)), float(found[0]), float(found[1])


def one_pole(
    time: FloatArray, target_time: FloatArray, target: FloatArray, tau: float
) -> FloatArray:
    """Return a one-pole smoother's response to a target that is 1 after ``target_time``.

    ``target_time`` starts at 0 and is evenly spaced; the response starts at 0.
    """
    step = target_time[1] - target_time[0]
    keep = np.exp(-step / tau)
    middle = 0.5 * (target[1:] + target[:-1])
    powers = keep ** np.arange(1.0, len(target_time))
    driven = (1.0 - keep) * np.cumsum(middle / powers) * powers
    response = np.concatenate([[0.0], driven])
    end = target_time[-1]
    after = 1.0 - (1.0 - response[-1]) * np.exp(-np.maximum(time - end, 0.0) / tau)
    return np.asarray(np.where(time <= end, np.interp(time, target_time, response), after))


def fit_release(
    time_s: FloatArray, gain_db: FloatArray, *, shortest_s: float, longest_s: float
) -> Approach | None:
    """Fit an exponential recovery to the gain after a burst.

    What still rings or reverberates after a burst lies over its first instants; so the fit
    begins later and later until its start fits as well as its end.

    Parameters
    ----------
    time_s : after the end of the burst, rising, shape ``(W,)``.
    gain_db : gain re the uncompressed one.
    """
    result = None
    for skipped_s in SKIPPED_S:
        kept = time_s >= time_s[0] + skipped_s
        if np.sum(kept) < LEAST_RELEASE_POINTS:
            break
        time, gain = time_s[kept], gain_db[kept]
        tau = _least(lambda t: _recovery(time, gain, t)[0], shortest_s, longest_s)  # noqa: B023
        _, start, end, miss = _recovery(time, gain, tau)
        early = miss[: max(4, len(miss) // EARLY_SHARE)]
        result = Approach(tau, start, end, float(np.sqrt(np.mean(miss**2))))
        deviation_db = DEVIATION_OF_MEDIAN * np.median(np.abs(miss))
        if np.sqrt(np.mean(early**2)) <= EARLY_MISFIT * deviation_db:
            break
    return result


def time_of_share(
    time_s: FloatArray, gain_db: FloatArray, *, start_db: float, end_db: float
) -> float | None:
    """Return the last time at which a recovering gain has 1/e of its way left, by itself.

    A gain that recovers by so many dB a second, as after a peak detector, is no exponential. The
    last time is taken, as reverberation after a burst lies over the first instants only. None
    where it is past that from the start, or noise is not small beside what is left.

    Parameters
    ----------
    time_s, gain_db : as for ``fit_release``.
    start_db, end_db : gain at time 0 and in the end.
    """
    left_db = (end_db - start_db) / np.e
    below = np.flatnonzero(gain_db < end_db - left_db)
    tail = gain_db[-max(4, len(gain_db) // 4) :]
    if not len(below) or below[-1] + 1 >= len(gain_db) or float(np.std(tail)) > left_db / 4.0:
        return None
    at = int(below[-1])
    share = (end_db - left_db - gain_db[at]) / (gain_db[at + 1] - gain_db[at])
    return float(time_s[at] + share * (time_s[at + 1] - time_s[at]))


def _recovery(
    time: FloatArray, gain: FloatArray, tau: float
) -> tuple[float, float, float, FloatArray]:
    """Return squared misfit, gain at time 0, gain in the end, and the misfit point by point."""
    decay = np.exp(-time / tau)
    centred = decay - np.mean(decay)
    depth = float(centred @ gain) / max(float(centred @ centred), 1e-12)
    final = float(np.mean(gain)) - depth * float(np.mean(decay))
    miss = gain - final - depth * decay
    return float(np.sum(miss**2)), final + depth, final, miss


def _least(misfit: Callable[[float], float], shortest_s: float, longest_s: float) -> float:
    """Return the time constant of least misfit, found on a logarithmic scale."""

    def misfits(logarithms: FloatArray) -> FloatArray:
        return np.array([misfit(float(np.exp(one))) for one in logarithms])

    first = np.linspace(np.log(shortest_s), np.log(longest_s), FIRST_GRID)
    (found,) = narrowed_minimum(misfits, Axis(first, LATER_GRIDS)).place
    return float(np.exp(found))
