"""How high a mode's peaks stand in the curves of a take: what a reader can check by eye.

The search does not rest on these. They are measured once a mode is found.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.noise.certainty import CLEAR_DB, SEEN_DB
from distsweep.analysis.resonance.curves import Family, LadderCurves
from distsweep.analysis.resonance.mode import FoundMode
from distsweep.analysis.resonance.peaks import LEAST_PROMINENCE_DB, LEAST_SURPRISE
from distsweep.analysis.sweep.grid import POINTS_PER_OCTAVE
from distsweep.units import FloatArray

SHOWN_SHARE = 0.5
"""A rung shows a peak that has this part of the strongest's height in the same order
(chosen: noise and the growth of a peak from rung to rung change heights by less than half)."""


@dataclass(frozen=True)
class OrderPeak:
    """One order's peak at one rung.

    ``row`` and ``index`` are places in a take's curves; ``order`` 1 is the fundamental, whose
    height above the floor is not looked at: infinite.
    """

    row: int
    index: int
    order: int
    excitation_hz: float
    prominence_db: float
    above_floor_db: float


@dataclass(frozen=True)
class Heights:
    """What the curves of one take show of a mode.

    Attributes
    ----------
    curves : of the take.
    mode : the mode.
    seen : harmonics' peaks that stand clear of noise and surroundings.
    spike_db : per order the height of its peak at the rung that shows it clearest.
    clear_orders : orders so far above their floor at the loudest rung that a peak would show.
    bump_db : height of the fundamental at the mode's frequency; −inf where it is the flank of a
        top farther away, NaN outside the sweep.
    top : the highest peak; where no harmonic has one, the fundamental's.
    """

    curves: LadderCurves
    mode: FoundMode
    seen: tuple[OrderPeak, ...]
    spike_db: dict[int, float]
    clear_orders: tuple[int, ...]
    bump_db: float
    top: OrderPeak

    @property
    def spikes(self) -> bool:
        """Whether any harmonic has a peak of the mode's."""
        return bool(self.spike_db)


def tolerance_octaves(mode: FoundMode) -> float:
    """Return how far a peak may lie from a mode and be its own: half its bandwidth, or a step."""
    return max(1.0 / POINTS_PER_OCTAVE, 0.5 / (mode.q * math.log(2.0)))


def played_hz(mode: FoundMode, order: int) -> float:
    """Return the frequency at which an order shows a mode: where its product lands on it, or f₀."""
    return mode.frequency_hz / (order if mode.kind == "radiated" else 1)


def clearest(seen: tuple[OrderPeak, ...], order: int) -> OrderPeak:
    """Return the rung at which an order's peak stands highest above its floor."""
    return max((s for s in seen if s.order == order), key=lambda s: s.above_floor_db)


def measure_heights(curves: LadderCurves, mode: FoundMode) -> Heights:
    """Measure a mode's peaks in a take.

    What is radiated stands in the levels of the products that land on it, what is excited in the
    input-referred ones.
    """
    seen = _peaks(curves, mode)
    orders = sorted({s.order for s in seen})
    spike_db = {order: clearest(seen, order).prominence_db for order in orders}
    clear = tuple(
        int(order)
        for column, order in enumerate(curves.orders)
        if _above_floor_db(curves, column, played_hz(mode, int(order))) >= CLEAR_DB
    )
    bump_db = math.nan
    own = OrderPeak(len(curves.drive_dbfs) - 1, 0, 1, mode.frequency_hz, 0.0, math.inf)
    if curves.holds(mode.frequency_hz):
        bump_db, index = highest_near(
            curves, curves.bump_db, mode.frequency_hz, tolerance_octaves(mode)
        )
        height_db = max(bump_db, 0.0)
        at_hz = float(curves.frequency_hz[index])
        own = OrderPeak(own.row, index, 1, at_hz, height_db, math.inf)
    top = own
    if orders:
        top = clearest(seen, max(orders, key=lambda n: spike_db[n]))
    elif mode.kind == "excited":
        top = _highest_of_all(curves, mode) or own
    return Heights(curves, mode, seen, spike_db, clear, bump_db, top)


def _family(curves: LadderCurves, mode: FoundMode) -> Family:
    return curves.absolute if mode.kind == "radiated" else curves.input_referred


def _above_floor_db(curves: LadderCurves, column: int, excitation_hz: float) -> float:
    """Return how far the loudest rung's order stands above its floor; −inf off the grid."""
    if not curves.holds(excitation_hz):
        return -math.inf
    return float(curves.above_floor_db[-1, column, round(curves.place(excitation_hz))])


def _peaks(curves: LadderCurves, mode: FoundMode) -> tuple[OrderPeak, ...]:
    """Return the tops that stand out by more than noise explains, by rung and order."""
    family, tolerance, found = _family(curves, mode), tolerance_octaves(mode), []
    for row in range(len(curves.drive_dbfs)):
        for column, order in enumerate(curves.orders):
            at_hz = played_hz(mode, int(order))
            if not curves.holds(at_hz):
                continue
            height_db, k = highest_near(curves, family.prominence_db[row, column], at_hz, tolerance)
            above_db = float(curves.above_floor_db[row, column, k])
            if (
                height_db >= LEAST_PROMINENCE_DB
                and above_db >= SEEN_DB
                and family.surprise[row, column, k] >= LEAST_SURPRISE
            ):
                peak_hz = float(curves.frequency_hz[k])
                found.append(OrderPeak(row, k, int(order), peak_hz, height_db, above_db))
    return tuple(found)


def _highest_of_all(curves: LadderCurves, mode: FoundMode) -> OrderPeak | None:
    """Return the loudest rung's highest point near an excited mode, though it is no clear peak."""
    if not curves.holds(mode.frequency_hz):
        return None
    found = []
    for column, order in enumerate(curves.orders):
        height_db, index = highest_near(
            curves,
            curves.input_referred.prominence_db[-1, column],
            mode.frequency_hz,
            tolerance_octaves(mode),
        )
        if math.isfinite(height_db):
            above_db = float(curves.above_floor_db[-1, column, index])
            at_hz = float(curves.frequency_hz[index])
            row = len(curves.drive_dbfs) - 1
            found.append(OrderPeak(row, index, int(order), at_hz, height_db, above_db))
    return max(found, key=lambda peak: peak.prominence_db, default=None)


def highest_near(
    curves: LadderCurves, values: FloatArray, frequency_hz: float, tolerance: float
) -> tuple[float, int]:
    """Return the largest value of a curve, shape ``(F,)``, near a frequency, and its place.

    ``tolerance`` is in octaves. It is −inf where the curve has no number there, and where it is the
    flank of a top farther away.
    """
    place, reach = curves.place(frequency_hz), max(1.0, tolerance * POINTS_PER_OCTAVE)
    first, last = max(0, math.ceil(place - reach)), min(len(values), math.floor(place + reach) + 1)
    near = values[first:last]
    if first >= last or np.isnan(near).all():
        return -math.inf, min(max(round(place), 0), len(values) - 1)
    index = first + int(np.where(np.isnan(near), -math.inf, near).argmax())
    here = float(values[index])
    flank = any(0 <= k < len(values) and values[k] > here for k in (index - 1, index + 1))
    return (-math.inf if flank else here), index


def rungs_that_show(heights: Heights) -> tuple[int, int]:
    """Return how many rungs show a mode, and how many could: that one and every clear one.

    A rung shows it that has a peak, or one half as high as the strongest in the same order.
    """
    curves, top, mode = heights.curves, heights.top, heights.mode
    showing = {seen.row for seen in heights.seen}
    if not heights.spikes:
        return 0, 0
    column = int(np.flatnonzero(curves.orders == top.order)[0])
    prominence_db = _family(curves, mode).prominence_db[:, column]
    place = round(curves.place(top.excitation_hz))
    clear = np.flatnonzero(curves.above_floor_db[:, column, place] >= CLEAR_DB)
    for row in clear:
        height_db, _ = highest_near(
            curves, prominence_db[row], top.excitation_hz, tolerance_octaves(mode)
        )
        if height_db >= SHOWN_SHARE * top.prominence_db:
            showing.add(int(row))
    return len(showing), len(showing | {int(row) for row in clear})
