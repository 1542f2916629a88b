"""The excited modes that a take's sweeps passed, each fitted to its complex harmonics."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from distsweep.analysis.resonance.candidates import octaves
from distsweep.analysis.resonance.curves import SearchedTake
from distsweep.analysis.resonance.evidence import Evidence
from distsweep.analysis.resonance.swept_fit import FittedMode, fit_mode
from distsweep.analysis.resonance.take_search import SAME_OCTAVES, TakeSearch

Q_WITHOUT_FIT = 20.0
"""A fit begins there where the levels gave no Q (chosen: the middle of those that can be fitted, by
their logarithm)."""


def take_modes(
    take: SearchedTake, search: TakeSearch, elsewhere: Sequence[Evidence]
) -> list[FittedMode]:
    """Fit every excited candidate of a take, however sure, and those that other takes showed.

    What is none, the fit tells: its product is no surer than noise.

    Parameters
    ----------
    elsewhere : excited candidates of the session.
    """
    clean = [row for row, rung in enumerate(take.rungs) if not rung.clipped]
    if take.swept is None or not clean:
        return []
    loudest = max(clean, key=lambda row: take.rungs[row].drive_dbfs)
    modes: list[FittedMode] = []
    for evidence in _apart(search, elsewhere):
        q = Q_WITHOUT_FIT if evidence.mode is None else evidence.mode.q
        mode = fit_mode(take.swept, evidence.frequency_hz, q, row=loudest)
        if mode is not None and nearest(modes, mode.frequency_hz) is None:
            modes.append(mode)
    return modes


def _apart(search: TakeSearch, elsewhere: Sequence[Evidence]) -> Iterator[Evidence]:
    """Yield excited candidates, the take's own first, none close to one before it."""
    own = [one.evidence for one in search.judged if one.evidence.candidate.kind == "excited"]
    taken: list[float] = []
    for evidence in [*own, *elsewhere]:
        at_hz = evidence.frequency_hz
        if search.curves.holds(at_hz) and all(octaves(at_hz, t) > SAME_OCTAVES for t in taken):
            taken.append(at_hz)
            yield evidence


def nearest(modes: Sequence[FittedMode], frequency_hz: float) -> FittedMode | None:
    """Return the mode at a frequency, within its bandwidth; None where there is none."""
    near = [m for m in modes if octaves(m.frequency_hz, frequency_hz) <= 1.0 / (m.q * math.log(2))]
    return min(near, key=lambda mode: octaves(mode.frequency_hz, frequency_hz), default=None)
