"""What each candidate rests on, in numbers: the same for both kinds."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from distsweep.analysis.noise.certainty import CLEAR_DB
from distsweep.analysis.resonance.candidates import (
    Candidate,
    OrderPeak,
    highest_near,
    largest_near,
    order_peaks,
    tolerance_octaves,
)
from distsweep.analysis.resonance.curves import LadderCurves
from distsweep.analysis.resonance.peaks import LEAST_PROMINENCE_DB

if TYPE_CHECKING:
    from distsweep.analysis.resonance.pole import Pole

LEAST_SHARED = 3
"""So many orders must share a height per dB of drive to make a boost of the drive likely (chosen:
what is set off often has a second and a third alone)."""

RAISED_OCTAVES = 0.12
"""So far from where a boost of the drive is highest its products may stand out most, where their
surroundings slope (chosen: a third of the width of an equaliser's boost of Q 4)."""

HIDDEN_BUMP_DB = 3.0
"""So much of a boost of the drive the fundamental may hide (chosen: what an equaliser's boost of
4 dB loses beside a reflection or a crossover)."""

LEFT_SHARE = 0.35
"""Of a radiated peak no more than this may remain in the input-referred level (chosen: a
neighbouring driver and the windows keep the division from being exact)."""

SHARED_PART = 0.4
"""Where a peak of one order stands, another order must rise by this part of its height to count as
having it too (chosen: what one cause sets off in two orders is rarely alike in height)."""

SHOWN_EXPLAINED = 0.95
"""A mode that explains so much of the response has its frequency from there; its Q, too, unless an
equaliser cuts into it and leaves a pole of its own (chosen, on simulated loudspeakers)."""

PRESENT_BUMP_DB = 3.0
"""So high a peak of the fundamental is surely one: below, the ripple of rooms and crossovers is as
large (chosen)."""


@dataclass(frozen=True)
class Evidence:
    """The numbers of one candidate.

    Attributes
    ----------
    candidate : its frequency is the fitted one where a fit was made.
    seen : peaks it rests on, in the family of curves of its kind.
    spike_db : per order the height of its peak at the rung that shows it clearest.
    clear_orders : orders so far above their floor that a peak would show.
    lone_orders : radiated: orders whose peak no other order has at the frequency that is played,
        though another could show it.
    kind_open : excited: a lone order n that might as well be lifted at n·f, as no other order
        could show the difference.
    bump_db : of the fundamental at the frequency, freed of the comb; NaN outside the grid.
    comb_bump_db : what the comb alone makes there.
    nearby_bump_db : the fundamental's highest peak close by that lasts from the quietest to the
        loudest rung; 0 where there is none.
    raised_db : per order by how much such a boost of the drive would raise its product.
    other_family_db : largest height near the strongest peak in the other family (radiated: left
        in the input-referred level; excited: the same in the relative level).
    pole : the fitted mode: a radiated one in the response, an excited one in its products.
    lifted_pole : a radiated one fitted to the products it lifts, where the response may have lost
        it, or keep a pole of the equaliser's.
    """

    candidate: Candidate
    seen: tuple[OrderPeak, ...]
    spike_db: dict[int, float]
    clear_orders: tuple[int, ...]
    lone_orders: tuple[int, ...]
    kind_open: bool
    bump_db: float
    comb_bump_db: float
    nearby_bump_db: float
    raised_db: dict[int, float]
    other_family_db: float
    pole: Pole | None = None
    lifted_pole: Pole | None = None

    @property
    def mode(self) -> Pole | None:
        """The mode's frequency and Q, as well as they are known.

        What an equaliser takes off may leave its frequency in the response, not its Q.
        """
        if self.lifted_pole is None or self.pole is None:
            return self.pole or self.lifted_pole
        return replace(self.pole, q=self.lifted_pole.q) if self.in_response else self.lifted_pole

    @property
    def in_response(self) -> bool:
        """Whether a radiated mode's frequency comes from the response."""
        if self.pole is None or self.candidate.kind == "excited":
            return False
        return self.lifted_pole is None or self.pole.explained >= SHOWN_EXPLAINED

    @property
    def frequency_hz(self) -> float:
        """Best estimate of the frequency."""
        return self.candidate.frequency_hz if self.mode is None else self.mode.frequency_hz

    @property
    def heights_db(self) -> list[float]:
        """Peaks of the orders, highest first."""
        return sorted(self.spike_db.values(), reverse=True)

    @property
    def survives_division(self) -> bool:
        """Whether dividing by the response leaves a good part of a radiated mode's highest peak."""
        return self.other_family_db > LEFT_SHARE * self.heights_db[0]

    @property
    def strongest(self) -> OrderPeak:
        """The order with the highest peak, at the rung that shows it clearest."""
        order = max(self.spike_db, key=lambda n: self.spike_db[n])
        return clearest(self.seen, order)


def clearest(seen: tuple[OrderPeak, ...], order: int) -> OrderPeak:
    """Return the rung at which an order's peak stands highest above its floor."""
    return max((s for s in seen if s.order == order), key=lambda s: s.above_floor_db)


def gather(curves: LadderCurves, candidate: Candidate) -> Evidence | None:
    """Measure a candidate; None where no peak of a harmonic supports it."""
    radiated = candidate.kind == "radiated"
    family = curves.absolute if radiated else curves.input_referred
    other = curves.input_referred if radiated else curves.relative
    seen = tuple(order_peaks(curves, family, candidate, least_db=LEAST_PROMINENCE_DB))
    if not seen:
        return None
    orders = sorted({s.order for s in seen})
    tops = {order: clearest(seen, order) for order in orders}
    spike_db = {order: top.both_db for order, top in tops.items()}
    tolerance = tolerance_octaves(candidate)
    top = tops[max(orders, key=lambda n: spike_db[n])]
    left, _ = largest_near(
        curves, other.prominence_db[top.row, top.column], top.excitation_hz, tolerance
    )
    bump = comb = math.nan
    nearby = 0.0
    if curves.holds(candidate.frequency_hz):
        at = (candidate.frequency_hz, tolerance)
        bump, _ = highest_near(curves, curves.bump_db, *at)
        comb, _ = highest_near(curves, curves.comb_prominence_db, *at)
        close_by, _ = largest_near(
            curves, curves.lasting_bump_db, candidate.frequency_hz, RAISED_OCTAVES
        )
        nearby = max(0.0, close_by)
    clear = clear_orders(curves, candidate)
    raised = _raised_db(curves, tops, clear, nearby_bump_db=nearby)
    lone_orders = tuple(n for n in orders if radiated and _alone(curves, tops[n], tolerance))
    kind_open = not radiated and len(orders) == 1 and not _is_not_lifted(curves, top, tolerance)
    return Evidence(
        candidate,
        seen,
        spike_db,
        clear,
        lone_orders,
        kind_open,
        bump,
        comb,
        nearby,
        raised,
        left,
    )


def clear_orders(curves: LadderCurves, candidate: Candidate) -> tuple[int, ...]:
    """Return the orders so far above their floor that a peak would show."""
    radiated = candidate.kind == "radiated"
    return tuple(
        int(order)
        for column, order in enumerate(curves.orders)
        if _clear(curves, column, candidate.frequency_hz / (int(order) if radiated else 1))
    )


def _is_not_lifted(curves: LadderCurves, top: OrderPeak, tolerance: float) -> bool:
    """Tell whether something shows that a peak is not lifted where it is heard.

    Another order would be lifted there, too: it is clear of its floor, and has no such peak. Or
    the fundamental has a peak there: what lifts is not taken off, and the division has done so.
    """
    heard_hz = top.order * top.excitation_hz
    if highest_near(curves, curves.bump_db, heard_hz, tolerance)[0] >= PRESENT_BUMP_DB:
        return True
    return any(
        not _shares(curves, top, column, heard_hz / int(order), tolerance)
        for column, order in enumerate(curves.orders)
        if order != top.order and _clear(curves, column, heard_hz / int(order), row=top.row)
    )


def _alone(curves: LadderCurves, top: OrderPeak, tolerance: float) -> bool:
    """Tell whether an order's peak is no product of something set off at the frequency played.

    That would show in the input-referred level of another order, too.
    """
    others = [
        column for column, order in enumerate(curves.orders)
        if order != top.order and _clear(curves, column, top.excitation_hz, row=top.row)
    ]  # fmt: skip
    return bool(others) and not any(
        _shares(curves, top, column, top.excitation_hz, tolerance) for column in others
    )


def _shares(
    curves: LadderCurves, top: OrderPeak, column: int, excitation_hz: float, tolerance: float
) -> bool:
    """Tell whether another order's input-referred level has a good part of a peak."""
    prominence_db = curves.input_referred.prominence_db[top.row, column]
    height_db, _ = highest_near(curves, prominence_db, excitation_hz, tolerance)
    return height_db >= max(LEAST_PROMINENCE_DB, SHARED_PART * top.prominence_db)


def _raised_db(
    curves: LadderCurves, tops: dict[int, OrderPeak], clear: Sequence[int], *, nearby_bump_db: float
) -> dict[int, float]:
    """Estimate by how much a boost of the drive would raise each product.

    It may be higher than the fundamental's, which other things bend: by what all orders that are
    clear of their floor show per dB of drive, if so many are; yet not by more than can be hidden.
    """
    steep = {order: _steepness(curves, top) for order, top in tops.items()}
    bump_db = nearby_bump_db
    if len(clear) >= LEAST_SHARED and set(clear) <= set(tops):
        shared_db = min(tops[order].both_db / steep[order] for order in clear)
        bump_db = max(bump_db, min(shared_db, nearby_bump_db + HIDDEN_BUMP_DB))
    return {order: steepness * bump_db for order, steepness in steep.items()}


def _steepness(curves: LadderCurves, top: OrderPeak) -> float:
    """By how many dB a product grows where the drive grows by one; its order at least.

    Products of higher degree than the order make it steeper: the rungs beside the one that shows
    the peak show how steep.
    """
    level_db = curves.absolute.level_db[:, top.column, top.index]
    clear = curves.above_floor_db[:, top.column, top.index] >= CLEAR_DB
    steepest = float(top.order)
    for low in (top.row - 1, top.row):
        if low < 0 or low + 1 == len(level_db) or not (clear[low] and clear[low + 1]):
            continue
        louder_db = float(curves.drive_dbfs[low + 1] - curves.drive_dbfs[low])
        if louder_db > 0.0:
            steepest = max(steepest, float(level_db[low + 1] - level_db[low]) / louder_db)
    return steepest


def _clear(curves: LadderCurves, column: int, excitation_hz: float, *, row: int = -1) -> bool:
    if not curves.holds(excitation_hz):
        return False
    above = curves.above_floor_db[row, column, round(curves.place(excitation_hz))]
    return bool(above >= CLEAR_DB)
