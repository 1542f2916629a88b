"""Where a resonance is strongest, and where it is missing."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.resonance.candidates import OrderPeak, highest_near, tolerance_octaves
from distsweep.analysis.resonance.curves import LadderCurves
from distsweep.analysis.resonance.evidence import Evidence, clear_orders, clearest, gather
from distsweep.analysis.resonance.take_search import TakeSearch
from distsweep.results import AtPosition, SeenIn

LEAST_SHOWN_DB = 2.0
"""A smaller peak of the fundamental shows nothing (chosen: a response ripples as much)."""


@dataclass(frozen=True)
class Positions:
    """What each position says, and the peaks seen there."""

    at: list[AtPosition]
    seen: list[SeenIn]


def at_positions(searches: Sequence[TakeSearch], evidence: Evidence) -> Positions:
    """Measure one resonance at every position.

    A radiated mode is present where the fundamental has a peak, and strongest where that is
    highest. It is present, too, where two orders show it alone, as an equaliser may take it off the
    fundamental; one harmonic's peak without these proves nothing. It is missing where its mark is
    absent although it could be seen: the fundamental's peak, or, of a mode that an equaliser takes
    off the fundamental, a harmonic's. An excited mode is strongest where the level of its product
    is highest: how far a product stands out depends on what else a place makes.
    """
    shared_dbfs = min(float(search.curves.drive_dbfs[-1]) for search in searches)
    candidate = replace(evidence.candidate, frequency_hz=evidence.frequency_hz)
    at, seen = [], []
    for search in searches:
        curves = search.curves
        here = gather(curves, candidate)
        bump_db = math.nan
        if curves.holds(candidate.frequency_hz):
            tolerance = tolerance_octaves(candidate)
            bump_db, _ = highest_near(curves, curves.bump_db, candidate.frequency_hz, tolerance)
        could_show = bool(clear_orders(curves, candidate))
        at.append(
            AtPosition(
                curves.position,
                _state(evidence, bump_db, here, could_show=could_show),
                bump_db if math.isfinite(bump_db) else None,
                None if here is None else max(here.spike_db.values()),
                _product_level_db(curves, evidence, shared_dbfs),
            )
        )
        if here is not None:
            seen += seen_in(curves, (clearest(here.seen, order) for order in here.spike_db))
    return Positions(_with_strongest(at, evidence), seen)


def seen_in(curves: LadderCurves, peaks: Iterable[OrderPeak]) -> list[SeenIn]:
    """Describe peaks of one take by position, order, frequency played and drive."""
    return [
        SeenIn(
            curves.position, peak.order, peak.excitation_hz,
            float(curves.drive_dbfs[peak.row]), peak.prominence_db,
        )
        for peak in peaks
    ]  # fmt: skip


def _state(evidence: Evidence, bump_db: float, here: Evidence | None, *, could_show: bool) -> str:
    """Return a position's state; ``could_show``: whether any order is clear of its floor."""
    if evidence.candidate.kind == "excited":
        if here is not None:
            return "present"
        return "missing" if could_show else "cannot_tell"
    if bump_db >= LEAST_SHOWN_DB or (here is not None and len(here.lone_orders) >= 2):
        return "present"
    if here is not None or math.isnan(bump_db):
        return "cannot_tell"
    return "missing" if could_show or evidence.lifted_pole is None else "cannot_tell"


def _product_level_db(curves: LadderCurves, evidence: Evidence, drive_dbfs: float) -> float | None:
    """Level of the strongest order at its peak, at the rung nearest to a drive."""
    order, at_hz = evidence.strongest.order, evidence.strongest.excitation_hz
    columns = np.flatnonzero(curves.orders == order)
    if not len(columns) or not curves.holds(at_hz):
        return None
    row = int(np.argmin(np.abs(curves.drive_dbfs - drive_dbfs)))
    level = float(curves.absolute.level_db[row, columns[0], round(curves.place(at_hz))])
    return level if math.isfinite(level) else None


def _with_strongest(at: list[AtPosition], evidence: Evidence) -> list[AtPosition]:
    """Mark the strongest of several positions that show it, by what is measured there."""
    radiated = evidence.candidate.kind == "radiated"
    least_db = LEAST_SHOWN_DB if radiated else -math.inf
    sizes_db = [
        (size_db, number)
        for number, place in enumerate(at)
        if place.state == "present"
        and (size_db := place.fundamental_bump_db if radiated else place.level_db) is not None
        and size_db >= least_db
    ]
    if len(at) < 2 or not sizes_db:
        return at
    strongest = max(sizes_db, key=lambda pair: pair[0])[1]
    marked = replace(at[strongest], state="strongest")
    return [*at[:strongest], marked, *at[strongest + 1 :]]
