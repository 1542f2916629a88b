"""Where a resonance is strongest, and where it is missing."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.resonance.curves import LadderCurves
from distsweep.analysis.resonance.heights import Heights, OrderPeak, clearest
from distsweep.analysis.resonance.mode import SHOWN_LOG_RATIO
from distsweep.results import AtPosition, SeenIn

LEAST_SHOWN_DB = 2.0
"""A mode is strongest where its peak is highest, but for one of the fundamental that is smaller
(chosen: a response ripples as much)."""


@dataclass(frozen=True)
class Positions:
    """What each position says, and the peaks seen there."""

    at: list[AtPosition]
    seen: list[SeenIn]


def at_positions(heights: Sequence[Heights]) -> Positions:
    """Say how strongly each take shows a mode; ``heights`` are of that mode, one a take.

    A radiated mode is strongest where the fundamental's peak is highest, an excited one where the
    level of its product is: how far a product stands out depends on what else a place makes.
    """
    shared_dbfs = min(float(one.curves.drive_dbfs[-1]) for one in heights)
    top = max((one.top for one in heights), key=lambda peak: peak.prominence_db)
    at = [
        AtPosition(
            one.curves.position,
            _state(one),
            one.bump_db if math.isfinite(one.bump_db) else None,
            max(one.spike_db.values(), default=None),
            _product_level_db(one.curves, top.order, top.excitation_hz, shared_dbfs),
        )
        for one in heights
    ]
    seen = [
        peak
        for one in heights
        for peak in seen_in(one.curves, (clearest(one.seen, n) for n in one.spike_db))
    ]
    return Positions(_with_strongest(at, heights[0].mode.kind), seen)


def seen_in(curves: LadderCurves, peaks: Iterable[OrderPeak]) -> list[SeenIn]:
    """Describe peaks of one take by position, order, frequency played and drive."""
    return [
        SeenIn(
            curves.position, peak.order, peak.excitation_hz,
            float(curves.drive_dbfs[peak.row]), peak.prominence_db,
        )
        for peak in peaks
    ]  # fmt: skip


def log_ratio_at(heights: Heights) -> float:
    """Return what a take's curves say of a mode.

    Of one that the response shows, the response; of one that lifts products where the response
    does not show it, the second clearest order, as one alone may be set off where it is played.
    """
    mode = heights.mode
    own = [c for c in mode.contributions if c.position == heights.curves.position]
    if mode.kind == "radiated" and mode.in_response:
        return sum(c.log_ratio for c in own if c.order == 1)
    if mode.kind == "radiated":
        return sorted((c.log_ratio for c in own), reverse=True)[1] if len(own) > 1 else 0.0
    return sum(c.log_ratio for c in own)


def _state(heights: Heights) -> str:
    log_ratio = log_ratio_at(heights)
    if log_ratio >= SHOWN_LOG_RATIO:
        return "present"
    return "missing" if log_ratio <= -SHOWN_LOG_RATIO else "cannot_tell"


def _product_level_db(
    curves: LadderCurves, order: int, played_hz: float, drive_dbfs: float
) -> float | None:
    """Level of an order where it peaks, at the rung nearest to a drive."""
    columns = np.flatnonzero(curves.orders == order)
    if not len(columns) or not curves.holds(played_hz):
        return None
    row = int(np.argmin(np.abs(curves.drive_dbfs - drive_dbfs)))
    level = float(curves.absolute.level_db[row, columns[0], round(curves.place(played_hz))])
    return level if math.isfinite(level) else None


def _with_strongest(at: list[AtPosition], kind: str) -> list[AtPosition]:
    """Mark the strongest of several positions that show it, by what is measured there."""
    radiated = kind == "radiated"
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
