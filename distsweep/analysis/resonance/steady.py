"""What a steady tone would show of an excited mode, and how far that is from what a sweep shows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.resonance.passed import template
from distsweep.analysis.resonance.swept_fit import PRODUCT, FittedMode, OrderFit, OrderView
from distsweep.analysis.resonance.swept_mode import steady
from distsweep.analysis.sweep.grid import POINTS_PER_OCTAVE
from distsweep.analysis.sweep.harmonics import SweptHarmonics
from distsweep.units import ComplexArray, FloatArray, db_to_ratio, ratio_to_db

FARTHEST_OCTAVES = 0.6
"""A mode's products are followed so far to either side (chosen: what rings on behind a mode of Q 40
at 100 Hz has fallen by 60 dB by then, in a sweep of 4 s)."""

DEVIATIONS = 2.0
"""Deviations that an interval of 95 % reaches to either side (chosen: a Gaussian's are 1.96)."""

TOP_BANDWIDTHS, TOP_POINTS = 0.5, 41
"""The top is looked for so many bandwidths to either side of f₀, at so many points (chosen: what
the product adds to, half as large as itself, moves the top by less; a fortieth of a bandwidth off
its top a product of order 5 is 0.03 dB lower)."""

OWN_SHARE = 0.01
"""A steady level is taken to be uncertain by this part of itself besides (chosen: 0.09 dB; what the
product adds to is a curve of the second degree, and the fundamental lies on straight lines between
the grid's points)."""

CHANGE_SHARE = 0.03
"""A change is taken to be uncertain by this part of itself, one deviation (chosen: what filters
before the mode bend beyond a slope, and a mode that is not quite one of the second order)."""

SHOWN_WITHIN_DB = 0.5
"""A sweep shows a mode's top directly where it is no farther from a steady tone (chosen: as well as
issue 15 asks a steady level to be known)."""

MOST_DOUBLINGS, HALVINGS = 8, 6
"""A sweep's length is doubled so often at most, until it shows a mode's top, and then found by
halving (chosen: nobody plays a sweep of half an hour; the length is right to 1 %)."""


@dataclass(frozen=True)
class SteadyChange:
    """By how much a steady tone's power may differ from the swept one, in amplitudes squared.

    Attributes
    ----------
    low, high : ends of the 95 % interval of the difference, shape ``(order, R, F)``; 0 where no
        mode is near.
    """

    low: FloatArray
    high: FloatArray


@dataclass(frozen=True)
class SteadyLevel:
    """What a steady tone would show at a mode's top, dB re the fundamental there.

    Attributes
    ----------
    order : the harmonic that is highest there.
    drive_dbfs : of the rung, the loudest clean one.
    frequency_hz : of the top.
    level_db, low_db, high_db : with the ends of its 95 % interval.
    swept_db : the highest that the swept curve shows there.
    sweep_s : the length from which on a sweep shows it directly; None where none does.
    """

    order: int
    drive_dbfs: float
    frequency_hz: float
    level_db: float
    low_db: float
    high_db: float
    swept_db: float
    sweep_s: float | None


def steady_change(harmonics: SweptHarmonics, modes: Sequence[FittedMode]) -> SteadyChange:
    """Return how far steady tones' harmonics may lie from the swept ones; modes add up."""
    shape = harmonics.values.shape
    change, variance = np.zeros(shape, dtype=np.complex128), np.zeros(shape)
    for mode in modes:
        for order in range(2, shape[0] + 1):
            _add(mode, order, change[order - 1], variance[order - 1])
    values, floors = np.nan_to_num(harmonics.values), np.nan_to_num(harmonics.floors)
    size, known = np.abs(values + change), DEVIATIONS * np.sqrt(variance)
    moved = size**2 - np.abs(values) ** 2
    # What is added to a measured value is turned by the noise in that.
    turned = DEVIATIONS * math.sqrt(2.0) * floors * np.abs(change)
    spread = np.hypot(2.0 * size * known, turned) + known**2
    return SteadyChange(moved - spread, moved + spread)


def _add(mode: FittedMode, order: int, change: ComplexArray, variance: FloatArray) -> None:
    """Add what a mode changes in an order to arrays of shape ``(R, F)``."""
    views = [mode.view(order, row) for row in range(len(change))]
    points = views[0].points(FARTHEST_OCTAVES)
    if not any(view.is_clear() for view in views):
        return
    at_hz = views[0].harmonics.frequency_hz[points]
    inside = np.searchsorted(points, views[0].near)
    along = views[0].along(at_hz)
    added, bases = [], []
    for mode_hz, q in mode.places():
        moving = views[0].swept(at_hz, mode_hz, q)
        added.append(steady(at_hz, mode_hz=mode_hz, q=q, order=order) - moving)
        bases.append(views[0].columns(at_hz[inside], moving[inside]))
    for row, view in enumerate(views):
        fits = [OrderFit(view, basis) for basis in bases]
        best, *others = [fit.sizes(along) * one for fit, one in zip(fits, added, strict=True)]
        own = fits[0].deviation(PRODUCT) * np.abs(added[0])
        change[row, points] += best
        variance[row, points] += own**2 + (CHANGE_SHARE * np.abs(best)) ** 2
        variance[row, points] += sum(np.abs(other - best) ** 2 for other in others)


def steady_level(mode: FittedMode, drive_dbfs: float) -> SteadyLevel:
    """Return what a steady tone shows at a mode's top, in the order that is highest there.

    ``drive_dbfs`` is that of the rung that was fitted.
    """
    levels = [_level(mode, view, drive_dbfs) for view in mode.views]
    return max(levels, key=lambda level: level.low_db)


def _level(mode: FittedMode, view: OrderView, drive_dbfs: float) -> SteadyLevel:
    """Return what a steady tone shows of one order at the mode's top."""
    harmonics, order = view.harmonics, view.order
    fits, tops = [], []
    for mode_hz, q in mode.places():
        at_hz = mode_hz * (1.0 + np.linspace(-TOP_BANDWIDTHS, TOP_BANDWIDTHS, TOP_POINTS) / q)
        product = steady(at_hz, mode_hz=mode_hz, q=q, order=order)
        columns = view.columns(at_hz, product)
        fits.append(view.fit(mode_hz, q))
        ratio = np.abs(columns @ fits[-1].coefficients) / _fundamental(view, at_hz)
        place = int(np.argmax(ratio))
        tops.append((float(ratio[place]), float(at_hz[place]), columns[place]))
    (best, top_hz, columns), *others = tops
    at_top = np.array([top_hz])
    fundamental = float(_fundamental(view, at_top)[0])
    own = fits[0].deviation(columns) / fundamental
    swept_short = columns[-2] - view.swept(at_top, mode.frequency_hz, mode.q)[0]
    share = CHANGE_SHARE * abs(fits[0].size * swept_short) / fundamental
    known = DEVIATIONS * math.hypot(own, share, *(other[0] - best for other in others))
    known = math.hypot(known, OWN_SHARE * best)
    bandwidth_octaves = 1.0 / (mode.q * math.log(2.0))
    near = view.points(max(bandwidth_octaves, 1.0 / POINTS_PER_OCTAVE))
    curve = np.abs(harmonics.values[order - 1, view.row, near])
    shown = curve / np.abs(harmonics.values[0, view.row, near])
    return SteadyLevel(
        order=order,
        drive_dbfs=drive_dbfs,
        frequency_hz=top_hz,
        level_db=float(ratio_to_db(best)),
        low_db=float(ratio_to_db(max(best - known, 0.0))),
        high_db=float(ratio_to_db(best + known)),
        swept_db=float(ratio_to_db(np.max(shown))),
        sweep_s=_direct_sweep_s(mode, order),
    )


def _fundamental(view: OrderView, frequency_hz: FloatArray) -> FloatArray:
    """Return the fundamental's amplitude between grid points."""
    harmonics = view.harmonics
    level_db = ratio_to_db(np.abs(harmonics.values[0, view.row]))
    return np.asarray(db_to_ratio(np.interp(frequency_hz, harmonics.frequency_hz, level_db)))


def _direct_sweep_s(mode: FittedMode, order: int) -> float | None:
    """Return the length from which on a sweep shows the top of a mode's product directly."""
    harmonics = mode.views[0].harmonics

    def shows(factor: float) -> bool:
        top = template(
            np.zeros(1), frequency_hz=mode.frequency_hz, q=mode.q, power=order, order=order,
            rate_constant_s=factor * harmonics.rate_constant_s,
        )  # fmt: skip
        return abs(float(ratio_to_db(np.abs(top[0])))) <= SHOWN_WITHIN_DB

    enough = next((2.0**k for k in range(MOST_DOUBLINGS + 1) if shows(2.0**k)), None)
    if enough is None:
        return None
    short = 0.5 * enough
    for _ in range(HALVINGS if enough > 1.0 else 0):
        middle = 0.5 * (short + enough)
        short, enough = (short, middle) if shows(middle) else (middle, enough)
    return enough * harmonics.sweep_s
