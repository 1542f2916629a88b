"""Frequency and Q of a mode by a search on ever finer grids."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

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


def least_misfit(
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
    centre_hz, width = near_hz, spread
    low, high = math.log(LOWEST_Q), math.log(HIGHEST_Q)
    best_hz, best_q, least = near_hz, LOWEST_Q, math.inf
    for frequencies, qs in counts:
        tried_hz = np.asarray(centre_hz * np.exp(np.linspace(-width, width, frequencies)))
        tried_q = np.asarray(np.exp(np.linspace(low, high, qs)))
        found = misfit(tried_hz, tried_q)
        row, column = np.unravel_index(int(np.argmin(found)), found.shape)
        if found[row, column] < least:
            least = float(found[row, column])
            best_hz, best_q = float(tried_hz[row]), float(tried_q[column])
        step = (high - low) / (qs - 1)
        centre_hz, width = best_hz, 2.0 * width / (frequencies - 1)
        low = max(math.log(LOWEST_Q), math.log(best_q) - step)
        high = min(math.log(HIGHEST_Q), math.log(best_q) + step)
    return best_hz, best_q, least
