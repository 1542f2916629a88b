"""Placements whose levels lie farther apart, as a whole, than a microphone put back explains."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from distsweep.reason import Reason
from distsweep.results import Reproducibility, Take

APART_DB = 1.5
"""Placements that differ by more in level are asked about (chosen: at 1 m a microphone would have
to be 17 cm off; with so much between them no level is reliable)."""


def placement_doubts(found: Reproducibility, takes: Sequence[Take]) -> list[Reason]:
    """Return what must be said of a group of placements: that a gain may have been changed.

    Parameters
    ----------
    takes : those of the results that ``found`` counts.
    """
    gains_db = {
        take.placement: gain_db
        for take in (takes[number] for number in reversed(found.takes))
        if np.isfinite(gain_db := _gain_db(take))
    }
    if len(gains_db) < 2:
        return []
    apart_db = max(gains_db.values()) - min(gains_db.values())
    if apart_db <= APART_DB:
        return []
    return [Reason("placements_apart", position=found.position, apart_db=apart_db)]


def _gain_db(take: Take) -> float:
    """Return a ladder's median level over frequency, less the drive, of its middle rung.

    NaN of a staircase, and where nothing of it is known.
    """
    if not take.rungs:
        return float("nan")
    rung = take.rungs[len(take.rungs) // 2]
    levels_db = rung.fundamental_db[np.isfinite(rung.fundamental_db)]
    return float(np.median(levels_db)) - rung.drive_dbfs if levels_db.size else float("nan")
