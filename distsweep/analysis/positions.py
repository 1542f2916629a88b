"""Where a resonance is strongest, and where it is missing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from distsweep.analysis.alignment import highest_near, tolerance_octaves
from distsweep.analysis.evidence import Evidence, clearest, gather
from distsweep.analysis.search import TakeSearch
from distsweep.results_resonance import AtPosition, SeenIn

LEAST_SHOWN_DB = 2.0
"""A bump smaller than this is not told from the ripple of a response."""


@dataclass(frozen=True)
class Positions:
    """What each position says, and the spikes seen there."""

    at: list[AtPosition]
    seen: list[SeenIn]


def at_positions(searches: Sequence[TakeSearch], evidence: Evidence) -> Positions:
    """Measure one resonance at every position.

    It is strongest where its own mark stands out most: the fundamental's bump of a radiated
    one, the input-referred spike of an excited one. It is missing where that mark is absent
    although it could be seen.
    """
    candidate = replace(evidence.candidate, frequency_hz=evidence.frequency_hz)
    at, seen = [], []
    for search in searches:
        curves = search.curves
        here = gather(curves, search.response, candidate)
        bump = math.nan
        if curves.holds(candidate.frequency_hz):
            bump, _ = highest_near(
                curves,
                search.response.freed_prominence_db,
                candidate.frequency_hz,
                tolerance_octaves(candidate),
            )
        spike = max(here.spike_db.values()) if here is not None else None
        at.append(
            AtPosition(
                curves.position,
                _state(evidence, bump, spike, here),
                bump if math.isfinite(bump) else None,
                spike,
            )
        )
        if here is not None:
            for order in here.spike_db:
                spot = clearest(here.seen, order)
                drive_dbfs = float(curves.drive_dbfs[spot.row])
                seen.append(
                    SeenIn(
                        curves.position, order, spot.excitation_hz, drive_dbfs, spot.prominence_db
                    )
                )
    _mark_strongest(at, evidence)
    return Positions(at, seen)


def _state(
    evidence: Evidence, bump_db: float, spike_db: float | None, here: Evidence | None
) -> str:
    if evidence.candidate.kind == "radiated":
        if not math.isfinite(bump_db):
            return "cannot_tell"
        return "present" if bump_db >= LEAST_SHOWN_DB else "missing"
    if spike_db is not None:
        return "present"
    return "cannot_tell" if here is None and not evidence.asked else "missing"


def _mark_strongest(at: list[AtPosition], evidence: Evidence) -> None:
    """Name the strongest of several positions that show it."""
    present = [one for one in at if one.state == "present"]
    if len(at) < 2 or not present:
        return
    radiated = evidence.candidate.kind == "radiated"
    best = max(present, key=lambda p: (p.fundamental_bump_db if radiated else p.spike_db) or 0.0)
    best.state = "strongest"
