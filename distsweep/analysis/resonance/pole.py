"""Frequency and Q of a mode by a search on ever finer grids."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.narrowing import Axis, narrowed_minimum
from distsweep.units import FloatArray

LOWEST_Q, HIGHEST_Q = 4.0, 100.0
"""Bounds of every fitted Q (chosen: lower is no narrow peak; higher is not resolved by windows of
90 periods)."""


@dataclass(frozen=True)
class Pole:
    """A mode: frequency and Q, and the share of the curves' shape that it explains."""

    frequency_hz: float
    q: float
    explained: float


def best_pole(
    misfit: Callable[[FloatArray, FloatArray], FloatArray],
    near_hz: float,
    *,
    spread: float,
    counts: Sequence[tuple[int, int]],
) -> tuple[float, float, float]:
    """Return frequency, Q and misfit of the best mode found.

    The misfit may have several valleys, as a mode may turn the phase of what it adds to any way:
    a grid over all of it finds the deepest, and finer ones around the best end in it.

    Parameters
    ----------
    misfit : of frequencies, shape ``(N,)``, and Qs, shape ``(M,)``; returns shape ``(N, M)``.
    near_hz, spread : the first grid reaches so far to either side, as a fraction; Q has all of
        its range.
    counts : how many frequencies and Qs each grid has.
    """
    first, *later = counts
    log_hz = Axis(
        math.log(near_hz) + np.linspace(-spread, spread, first[0]), tuple(n for n, _ in later)
    )
    lowest, highest = math.log(LOWEST_Q), math.log(HIGHEST_Q)
    log_q = Axis(
        np.linspace(lowest, highest, first[1]), tuple(n for _, n in later),
        lowest=lowest, highest=highest,
    )  # fmt: skip
    least = narrowed_minimum(lambda f, q: misfit(np.exp(f), np.exp(q)), log_hz, log_q)
    frequency_hz, q = (math.exp(value) for value in least.place)
    return frequency_hz, q, least.misfit
