"""Intervals of a ladder's levels that hold what the interface may have made of them.

How the interface's harmonic adds to the loudspeaker's is not known (their phases are anything), so
each end of an interval moves by the whole of the reach, as amplitudes: |p| ± reach. Where the reach
is as large as what was measured nothing may be the loudspeaker's: the value is "at most". A band's
mean moves by the root mean square of its reaches at most (the triangle inequality). THD is a sum of
powers, each of which moves by itself: from Σ|p|² to Σ(|p| ± reach)².
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from distsweep.analysis.noise.certainty import RELIABLE_DB, SEEN_DB
from distsweep.analysis.noise.interval import is_reliable
from distsweep.analysis.sweep.harmonics import SweptHarmonics
from distsweep.analysis.sweep.interface import InterfaceReach
from distsweep.analysis.sweep.intervals import with_ends
from distsweep.analysis.third_octave import octave_bands
from distsweep.results import HarmonicCurve, Rung, Smoothed, SmoothedLevel
from distsweep.units import (
    BoolArray,
    FloatArray,
    db_to_power,
    db_to_ratio,
    power_to_db,
    ratio_to_db,
)


def with_interface(
    rungs: Sequence[Rung], reach: InterfaceReach, frequency_hz: FloatArray
) -> list[Rung]:
    """Widen rungs' intervals by what may be the interface's, and state its own harmonics."""
    return [
        rung if own is None else _rung(rung, own, reach, row, frequency_hz)
        for row, (rung, own) in enumerate(zip(rungs, reach.own, strict=True))
    ]


def _rung(rung: Rung, own: Rung, reach: InterfaceReach, row: int, frequency_hz: FloatArray) -> Rung:
    bounds, total = reach.harmonics[:, row], reach.thd(row)
    harmonics = {
        order: _curve(curve, own.harmonics[order], bounds[order - 2])
        for order, curve in rung.harmonics.items()
    }
    moves = _power_moves([curve.level_db for curve in harmonics.values()], bounds)
    low_db, high_db = _power_moved(rung.thd_low_db, rung.thd_high_db, moves)
    smoothed = [_smoothed(one, bounds, frequency_hz) for one in rung.smoothed]
    changed = with_ends(
        _with_high_orders(rung, reach.high_orders[row]),
        harmonics=harmonics,
        thd_low_db=low_db,
        thd_high_db=high_db,
        smoothed=smoothed,
    )
    third = changed.thd_third_octave
    if third is not None:
        thirds = next(one for one in smoothed if one.bands_per_octave == 3)
        left_db = _half_width_db(thirds, bounds, frequency_hz)
        third = replace(third, interface_half_width_db=left_db)
    return replace(
        changed,
        thd_third_octave=third,
        thd_interface_db=np.where(np.isfinite(own.thd_low_db), own.thd_db, np.nan),
        thd_interface_high_db=own.thd_high_db,
        thd_interface_reach_db=_to_db(total),
    )


def _curve(curve: HarmonicCurve, own: HarmonicCurve, bound: FloatArray) -> HarmonicCurve:
    low_db, high_db = _moved(curve.low_db, curve.high_db, bound)
    return replace(
        curve,
        low_db=low_db,
        high_db=high_db,
        reliable=curve.reliable & is_reliable(low_db, high_db),
        interface_db=np.where(np.isfinite(own.low_db), own.level_db, np.nan),
        interface_high_db=own.high_db,
        interface_reach_db=_to_db(bound),
    )


def _smoothed(one: Smoothed, bounds: FloatArray, frequency_hz: FloatArray) -> Smoothed:
    bands = _over(bounds, octave_bands(frequency_hz, one.bands_per_octave)[1])
    moves = _power_moves([level.level_db for level in one.harmonics.values()], bands)
    low_db, high_db = _power_moved(one.thd.low_db, one.thd.high_db, moves)
    return replace(
        one,
        thd=replace(one.thd, low_db=low_db, high_db=high_db),
        harmonics={n: _level(level, bands[n - 2]) for n, level in one.harmonics.items()},
    )


def _half_width_db(one: Smoothed, bounds: FloatArray, frequency_hz: FloatArray) -> FloatArray:
    """Return half the width in dB of the interval of THD that the interface alone would leave."""
    bands = _over(bounds, octave_bands(frequency_hz, one.bands_per_octave)[1])
    moves = _power_moves([level.level_db for level in one.harmonics.values()], bands)
    known = np.isfinite(one.thd.level_db)
    there_db = np.where(known, one.thd.level_db, one.thd.high_db)
    low_db, high_db = _power_moved(there_db, there_db, moves)
    with np.errstate(invalid="ignore"):
        return np.asarray(0.5 * (high_db - low_db))


def _level(level: SmoothedLevel, bound: FloatArray) -> SmoothedLevel:
    low_db, high_db = _moved(level.low_db, level.high_db, bound)
    return replace(level, low_db=low_db, high_db=high_db)


def _over(bounds: FloatArray, inside: BoolArray) -> FloatArray:
    """Return root mean squares over bands, shape ``(order − 1, B)``; NaN where none is known."""
    known = np.isfinite(bounds)
    count = known @ inside.T.astype(float)
    power = np.where(known, bounds, 0.0) ** 2 @ inside.T.astype(float)
    return np.asarray(np.sqrt(np.where(count > 0.0, power / np.maximum(count, 1.0), np.nan)))


def _moved(
    low_db: FloatArray, high_db: FloatArray, bound: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the ends of an interval moved outwards by an amplitude; nothing at least."""
    by = np.nan_to_num(bound)
    return (
        np.where(by > 0.0, _to_db(np.maximum(db_to_ratio(low_db) - by, 0.0)), low_db),
        np.where(by > 0.0, _to_db(db_to_ratio(high_db) + by), high_db),
    )


def _power_moves(
    levels_db: Sequence[FloatArray], bounds: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return by what powers a sum over orders may lie lower, and higher, shape ``(F,)`` each.

    Of what is no more than noise, so that its level is NaN, nothing can be taken off.
    """
    amplitude, by = np.nan_to_num(db_to_ratio(np.array(levels_db))), np.nan_to_num(bounds)
    lower = amplitude**2 - np.maximum(amplitude - by, 0.0) ** 2
    higher = (amplitude + by) ** 2 - amplitude**2
    return np.sum(lower, axis=0), np.sum(higher, axis=0)


def _power_moved(
    low_db: FloatArray, high_db: FloatArray, moves: tuple[FloatArray, FloatArray]
) -> tuple[FloatArray, FloatArray]:
    """Return the ends of an interval moved outwards by a power each; nothing at least."""
    lower, higher = moves
    with np.errstate(divide="ignore"):
        return (
            np.where(lower > 0.0, power_to_db(np.maximum(db_to_power(low_db) - lower, 0)), low_db),
            np.where(higher > 0.0, power_to_db(db_to_power(high_db) + higher), high_db),
        )


def _to_db(ratio: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(ratio_to_db(ratio))


def _with_high_orders(rung: Rung, reach: FloatArray) -> Rung:
    """Raise the floor of the high orders, and keep no impulses that the interface may have made."""
    floor_db = _raised(rung.high_order_floor_db, reach)
    impulsive_db = rung.impulsive_db
    if impulsive_db.size:
        with np.errstate(invalid="ignore"):
            hidden = (reach > 0.0) & (impulsive_db - floor_db < SEEN_DB)
        impulsive_db = np.where(hidden, np.nan, impulsive_db)
    return replace(rung, high_order_floor_db=floor_db, impulsive_db=impulsive_db)


def over_the_interface(rungs: Sequence[Rung], reach: InterfaceReach) -> list[Rung]:
    """Return rungs as measured whose floors hold what may be the interface's.

    Rules that ask for a level's distance from its floor then find nothing in what the interface
    may have made: limits, high orders, resonances.
    """
    raised = []
    for row, rung in enumerate(rungs):
        harmonics = {}
        for order, curve in rung.harmonics.items():
            floor_db = _raised(curve.floor_db, reach.harmonics[order - 2, row])
            clear = curve.reliable & (curve.level_db - floor_db >= RELIABLE_DB)
            harmonics[order] = replace(curve, floor_db=floor_db, reliable=clear)
        thd_floor_db = _raised(rung.thd_floor_db, reach.thd(row))
        raised.append(
            replace(
                _with_high_orders(rung, reach.high_orders[row]),
                harmonics=harmonics,
                thd_floor_db=thd_floor_db,
                thd_reliable=rung.thd_reliable & (rung.thd_db - thd_floor_db >= RELIABLE_DB),
            )
        )
    return raised


def swept_over_the_interface(swept: SweptHarmonics, reach: InterfaceReach) -> SweptHarmonics:
    """Return the complex harmonics of these rungs with the same floors."""
    floors = swept.floors.copy()
    more = np.nan_to_num(reach.harmonics * np.abs(swept.values[0]))
    floors[1:] = np.where(more > 0.0, np.hypot(floors[1:], more), floors[1:])
    return replace(swept, floors=floors)


def _raised(floor_db: FloatArray, bound: FloatArray) -> FloatArray:
    by = np.nan_to_num(bound)
    return np.where(by > 0.0, _to_db(np.hypot(db_to_ratio(floor_db), by)), floor_db)
