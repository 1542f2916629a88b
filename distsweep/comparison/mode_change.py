"""What curves around one mode say: whether it moved, went, or shows at all."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.comparison.mode_curves import TwoCurves
from distsweep.comparison.mode_shift import (
    DIFFERENCE_TERMS,
    IMBALANCE,
    LEAST_SHAPE_SIGMA_DB,
    SHARES,
    SHIFT,
    Fitted,
    ModeInCurves,
    level_db,
)

MOST_SHIFT = 0.06
"""Farther apart, two resonances are two (chosen: a quarter of a third of an octave, the least
distance at which two modes of Q 8 can be told apart)."""

_TRIED_SHIFTS = np.linspace(-0.05, 0.05, 11)


@dataclass(frozen=True)
class ModeChange:
    """What the curves say of a mode.

    Attributes
    ----------
    shift : ln of the other's frequency over the first's; ``error`` is its standard deviation.
    imbalance : b; 1 where the other side does not have the mode, −1 where the first has not.
    frequency_hz, q : of the mode, half-way between both sides.
    moved : root of what the sum of squares falls by where δ is free besides b, over the misfit.
    uneven : the same where b is free, and δ is nothing.
    rather_uneven : whether b alone explains the difference better than δ alone does.
    seen : standard deviations by which the mode stands out of the noise, over all points.
    misfit : by how much D is left larger than noise would leave it; 1 at least.
    explained : part of D's energy, weighted and freed of parabolas, that the mode explains.
    share : the largest |c| of a curve.
    orders : of the curves; 1 is the response.
    """

    shift: float
    error: float
    imbalance: float
    imbalance_error: float
    frequency_hz: float
    q: float
    moved: float
    uneven: float
    rather_uneven: bool
    seen: float
    misfit: float
    explained: float
    share: float
    orders: tuple[int, ...]


def mode_change(
    curves: Sequence[TwoCurves], near_hz: float, q: float, *, expected: float = 0.0
) -> ModeChange | None:
    """Fit a mode to both sides' curves; None where there are none.

    Parameters
    ----------
    near_hz, q : of the mode, between both sides.
    expected : shift that the sides' lists give, where the fit starts.
    """
    if not curves:
        return None
    problem = ModeInCurves(curves, near_hz, q)
    at_rest = problem.fit(problem.start(0.0)[0], (SHIFT, IMBALANCE))
    starts = sorted((problem.start(float(s)) for s in (*_TRIED_SHIFTS, expected)), key=_cost)
    rough = min((problem.fit(s[0], (IMBALANCE,)) for s in starts[:2]), key=lambda f: f.cost)
    rough = min(rough, problem.fit(at_rest.values, (IMBALANCE,)), key=lambda f: f.cost)
    problem.set_shape_sigma(_shape_sigma_db(problem, rough.values))
    at_rest = problem.fit(at_rest.values, (SHIFT, IMBALANCE))
    uneven = problem.fit(at_rest.values, (SHIFT,))
    moved = problem.fit(rough.values, (IMBALANCE,))
    both = min((problem.fit(f.values) for f in (moved, uneven)), key=lambda f: f.cost)
    scale = _misfit(problem, moved.values)
    shares = moved.values[SHARES::2] + 1j * moved.values[SHARES + 1 :: 2]
    return ModeChange(
        shift=float(moved.values[SHIFT]),
        error=float(moved.errors[SHIFT]) * scale,
        imbalance=float(uneven.values[IMBALANCE]),
        imbalance_error=float(uneven.errors[IMBALANCE]) * _misfit(problem, uneven.values),
        frequency_hz=problem.sides(moved.values)[0][0] * math.exp(0.5 * moved.values[SHIFT]),
        q=problem.q(moved.values),
        moved=_fall(uneven, both) / _misfit(problem, both.values),
        uneven=_fall(at_rest, uneven) / _misfit(problem, uneven.values),
        rather_uneven=uneven.cost < moved.cost,
        seen=_seen(problem, moved.values),
        misfit=scale,
        explained=_explained(problem, moved.values),
        share=float(np.max(np.abs(shares))),
        orders=tuple(sorted({curve.order for curve in curves})),
    )


def _cost(start: tuple[np.ndarray, float]) -> float:
    return start[1]


def _fall(without: Fitted, with_it: Fitted) -> float:
    return math.sqrt(max(without.cost - with_it.cost, 0.0))


def _shape_sigma_db(problem: ModeInCurves, values: np.ndarray) -> list[float]:
    """Return what the model leaves of each S besides noise, root mean square."""
    sigmas = []
    for n in range(problem.count):
        left = problem.rest(n, *problem.models(n, values))[0] / problem.weights[n][0]
        points = len(left) / max(len(left) - SHARES - 4, 1)
        noise = float(np.mean((0.5 * problem.sigmas[n]) ** 2))
        excess = float(np.mean(left**2)) * points - noise
        sigmas.append(math.sqrt(max(excess, LEAST_SHAPE_SIGMA_DB**2)))
    return sigmas


def _explained(problem: ModeInCurves, values: np.ndarray) -> float:
    left, whole = 0.0, 0.0
    for n in range(problem.count):
        left += float(np.sum(problem.rest(n, *problem.models(n, values))[1] ** 2))
        whole += float(np.sum(problem.left(n, 1, problem.differences[n]) ** 2))
    return 1.0 - left / max(whole, 1e-30)


def _misfit(problem: ModeInCurves, values: np.ndarray) -> float:
    """Return by how much D is left larger than noise would leave it; 1 at least."""
    left = [problem.rest(n, *problem.models(n, values))[1] for n in range(problem.count)]
    free = sum(len(part) - DIFFERENCE_TERMS for part in left) - 2
    return math.sqrt(max(float(sum(np.sum(part**2) for part in left)) / max(free, 1), 1.0))


def _seen(problem: ModeInCurves, values: np.ndarray) -> float:
    """Return by how many deviations of the mean of both sides the mode stands out of a parabola."""
    total, q = 0.0, problem.q(values)
    for n in range(problem.count):
        share = complex(values[SHARES + 2 * n], values[SHARES + 2 * n + 1])
        middle_hz = problem.sides(values)[0][0] * math.exp(0.5 * values[SHIFT])
        model = level_db(share * problem.mode(n, middle_hz, q))
        total += float(np.sum(problem.left(n, 1, 2.0 * model) ** 2))
    return math.sqrt(total)
