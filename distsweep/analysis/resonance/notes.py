"""What a session cannot show of resonances, and why."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from distsweep.analysis.noise.certainty import CLEAR_DB
from distsweep.analysis.resonance.curves import LadderCurves
from distsweep.reason import Reason

UNRESOLVED_RATIO = 4.0
"""A sweep that resolves nothing over its lowest two octaves is worth a word
(chosen: at the very end of the band few sweeps resolve anything)."""

HARDLY_ANY = 0.01
"""Share of all harmonics' points that must be clear of the noise for a search to mean much
(chosen: fewer are clear by chance)."""


def notes(
    curves: Sequence[LadderCurves], *, takes: int, resonances: int, sizes_known: bool
) -> list[Reason]:
    """Return what a session cannot show, and why; an empty list of resonances gets a word.

    Parameters
    ----------
    curves : of the takes that could be searched.
    takes, resonances : how many ladders there are, and how many resonances are listed.
    sizes_known : whether the cabinet's or the port's sizes predict any frequency.
    """
    if not curves:
        return [Reason("nothing_to_search") if takes else Reason("no_ladder")]
    reasons = _unresolved(curves)
    known = [c.above_floor_db for c in curves if not np.isnan(c.above_floor_db).all()]
    if not known and not reasons:
        reasons.append(Reason("noise_not_known"))
    elif known and max(float(np.mean(above >= CLEAR_DB)) for above in known) < HARDLY_ANY:
        reasons.append(Reason("noise_hides_harmonics"))
    elif known and not resonances:
        reasons.append(Reason("no_resonance_found"))
    if all(len(c.drive_dbfs) == 1 for c in curves):
        reasons.append(Reason("one_clean_level"))
    if len(curves) == 1:
        reasons.append(Reason("one_position_searched", position=curves[0].position))
    if resonances and not sizes_known:
        reasons.append(Reason("no_sizes_given"))
    return reasons


def _unresolved(curves: Sequence[LadderCurves]) -> list[Reason]:
    """A sweep may be too short to resolve narrow peaks over much of its band."""
    best = min(curves, key=lambda c: float(c.resolved_from_hz.min() / c.frequency_hz[0]))
    from_hz = float(best.resolved_from_hz.min())
    if from_hz <= UNRESOLVED_RATIO * float(best.frequency_hz[0]):
        return []
    return [Reason("sweep_too_short", from_hz=from_hz)]
