"""The excited modes that a take's sweeps passed, each fitted to its complex harmonics."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from distsweep.analysis.noise.certainty import CLEAR_DB
from distsweep.analysis.resonance.candidates import octaves
from distsweep.analysis.resonance.curves import SearchedTake
from distsweep.analysis.resonance.evidence import Evidence
from distsweep.analysis.resonance.peaks import LEAST_PROMINENCE_DB
from distsweep.analysis.resonance.take_search import SAME_OCTAVES, TakeSearch

if TYPE_CHECKING:
    from distsweep.analysis.resonance.swept_fit import FittedMode

Q_WITHOUT_FIT = 20.0
"""A fit begins there where the levels gave no Q (chosen: the middle of those that can be fitted, by
their logarithm)."""


TOPS_FITTED, HIGHEST_ORDER_OF_TOPS = 4, 4
"""So many tops of the input-referred levels that are no candidates are fitted besides, and of these
orders (chosen: of 30 loudspeakers with a mode, candidates showed 27, these three more)."""

MOST_MISFIT = 2.0
"""What is no candidate must be explained by a mode so well, re noise and the model's own error
(chosen: a reflection's comb or a crossover's edge leaves more)."""


def take_modes(
    take: SearchedTake, search: TakeSearch, elsewhere: Sequence[Evidence]
) -> list[FittedMode]:
    """Fit every excited candidate of a take, however sure, those of other takes, and other tops.

    What is none, the fit tells: its product is no surer than noise. A top need not be a candidate:
    where a sweep is short, low orders have too few periods for the search.

    Parameters
    ----------
    elsewhere : excited candidates of the session.
    """
    clean = [row for row, rung in enumerate(take.rungs) if not rung.clipped]
    if take.swept is None or not clean:
        return []
    loudest = max(clean, key=lambda row: take.rungs[row].drive_dbfs)
    modes: list[FittedMode] = []
    fitted_hz: list[float] = []

    def fit(near_hz: float, q: float, most_misfit: float) -> bool:
        """Fit what is not close to what was fitted before, and tell whether that was the case."""
        assert take.swept is not None
        if not search.curves.holds(near_hz) or _is_near(near_hz, fitted_hz):
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

    own = [one.evidence for one in search.judged if one.evidence.candidate.kind == "excited"]
    for evidence in [*own, *elsewhere]:
        q = Q_WITHOUT_FIT if evidence.mode is None else evidence.mode.q
        fit(evidence.frequency_hz, q, math.inf)
    left = TOPS_FITTED
    for top_hz in _tops(take, search, loudest):
        if left and fit(top_hz, Q_WITHOUT_FIT, MOST_MISFIT):
            left -= 1
    return modes


def _is_near(frequency_hz: float, others_hz: Sequence[float]) -> bool:
    return any(octaves(frequency_hz, other_hz) <= SAME_OCTAVES for other_hz in others_hz)


def _tops(take: SearchedTake, search: TakeSearch, row: int) -> list[float]:
    """Return where input-referred levels of low orders have a clear top, the highest first."""
    found: list[tuple[float, float]] = []
    for column, order in enumerate(search.curves.orders):
        if order > HIGHEST_ORDER_OF_TOPS:
            continue
        curve = take.rungs[row].harmonics[int(order)]
        # The loudest clean rung is the last of the search's curves.
        height_db = np.nan_to_num(search.curves.input_referred.prominence_db[-1, column])
        clear = (height_db >= LEAST_PROMINENCE_DB) & (curve.level_db - curve.floor_db >= CLEAR_DB)
        is_top = height_db[1:-1] >= np.maximum(height_db[:-2], height_db[2:])
        places = np.flatnonzero(clear[1:-1] & is_top) + 1
        found += [(float(height_db[k]), float(take.frequency_hz[k])) for k in places]
    return [top_hz for _, top_hz in sorted(found, reverse=True)]


def nearest(modes: Sequence[FittedMode], frequency_hz: float) -> FittedMode | None:
    """Return the mode at a frequency, within its bandwidth; None where there is none."""
    near = [m for m in modes if octaves(m.frequency_hz, frequency_hz) <= 1.0 / (m.q * math.log(2))]
    return min(near, key=lambda mode: octaves(mode.frequency_hz, frequency_hz), default=None)
