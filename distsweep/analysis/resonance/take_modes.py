"""The excited modes that a take's sweeps passed, each fitted to its complex harmonics."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from distsweep.analysis.noise.certainty import CLEAR_DB
from distsweep.analysis.resonance.curves import LadderCurves, SearchedTake
from distsweep.analysis.resonance.listing import octaves
from distsweep.analysis.resonance.mode import FoundMode
from distsweep.analysis.resonance.peaks import LEAST_PROMINENCE_DB

if TYPE_CHECKING:
    from distsweep.analysis.resonance.swept_fit import FittedMode

SAME_OCTAVES = 0.06
"""What lies closer to a place that was fitted is not fitted again (chosen: two skirts of one
peak)."""

Q_OF_TOPS = 20.0
"""A fit to a top begins there (chosen: the middle of those that can be fitted, by their
logarithm)."""

TOPS_FITTED, HIGHEST_ORDER_OF_TOPS = 4, 4
"""So many tops of the input-referred levels that are no candidates are fitted besides, and of these
orders (chosen: of 30 loudspeakers with a mode, candidates showed 27, these three more)."""

MOST_MISFIT = 2.0
"""What is no candidate must be explained by a mode so well, re noise and the model's own error
(chosen: a reflection's comb or a crossover's edge leaves more)."""


def take_modes(
    take: SearchedTake, curves: LadderCurves, excited: Sequence[FoundMode]
) -> list[FittedMode]:
    """Fit every excited mode that a session shows, however sure, to a take, and its other tops.

    What is none, the fit tells: its product is no surer than noise. A top need not be a candidate:
    where a sweep is short, low orders have too few periods for the search.

    Parameters
    ----------
    curves : of the take.
    excited : modes of the session.
    """
    clean = [row for row, rung in enumerate(take.rungs) if not rung.clipped]
    if not clean:
        return []
    loudest = max(clean, key=lambda row: take.rungs[row].drive_dbfs)
    modes: list[FittedMode] = []
    fitted_hz: list[float] = []

    def fit(near_hz: float, q: float, most_misfit: float) -> bool:
        """Fit what is not close to what was fitted before, and tell whether that was the case."""
        if not curves.holds(near_hz) or _is_near(near_hz, fitted_hz):
            return False
        from distsweep.analysis.resonance.swept_fit import fit_mode

        fitted_hz.append(near_hz)
        mode = fit_mode(take.swept, near_hz, q, row=loudest)
        if (
            mode is not None
            and mode.misfit <= most_misfit
            and nearest(modes, mode.frequency_hz) is None
        ):
            modes.append(mode)
        return True

    for one in excited:
        fit(one.frequency_hz, one.q, math.inf)
    left = TOPS_FITTED
    for top_hz in _tops(take, curves, loudest):
        if left and fit(top_hz, Q_OF_TOPS, MOST_MISFIT):
            left -= 1
    return modes


def _is_near(frequency_hz: float, others_hz: Sequence[float]) -> bool:
    return any(octaves(frequency_hz, other_hz) <= SAME_OCTAVES for other_hz in others_hz)


def _tops(take: SearchedTake, curves: LadderCurves, row: int) -> list[float]:
    """Return where input-referred levels of low orders have a clear top, the highest first."""
    found: list[tuple[float, float]] = []
    for column, order in enumerate(curves.orders):
        if order > HIGHEST_ORDER_OF_TOPS:
            continue
        curve = take.rungs[row].harmonics[int(order)]
        # The loudest clean rung is the last of the search's curves.
        height_db = np.nan_to_num(curves.input_referred.prominence_db[-1, column])
        clear = (height_db >= LEAST_PROMINENCE_DB) & (curve.level_db - curve.floor_db >= CLEAR_DB)
        is_top = height_db[1:-1] >= np.maximum(height_db[:-2], height_db[2:])
        places = np.flatnonzero(clear[1:-1] & is_top) + 1
        found += [(float(height_db[k]), float(take.frequency_hz[k])) for k in places]
    return [top_hz for _, top_hz in sorted(found, reverse=True)]


def nearest(modes: Sequence[FittedMode], frequency_hz: float) -> FittedMode | None:
    """Return the mode at a frequency, within its bandwidth; None where there is none."""
    near = [m for m in modes if octaves(m.frequency_hz, frequency_hz) <= 1.0 / (m.q * math.log(2))]
    return min(near, key=lambda mode: octaves(mode.frequency_hz, frequency_hz), default=None)
