"""From amplitudes to levels: fundamental, harmonics, THD, and which of them are reliable."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.cut import CutRung
from distsweep.analysis.noise.certainty import RELIABLE_DB
from distsweep.analysis.settings import TakeSettings
from distsweep.analysis.sweep.grid import POINTS_PER_OCTAVE
from distsweep.analysis.sweep.harmonics import Amplitudes
from distsweep.results import HarmonicCurve, Rung
from distsweep.units import (
    BoolArray,
    FloatArray,
    db_to_percent,
    db_to_power,
    power_to_db,
    ratio_to_db,
)

REFERENCE_SHARE = 0.95
"""A rung is one to compare others with where its fundamental is reliable at such a share of the
level band (chosen: a few dips of the response may reach into the noise)."""


@dataclass(frozen=True)
class LadderLevels:
    """The levels of a ladder's rungs, the repeated first one left out.

    Attributes
    ----------
    rungs : in the order played, as measured, with noise in them.
    rows : each one's row of the amplitudes.
    linear_db : the fundamental that stands for the linear response, shape ``(F,)``.
    level_db : each one's level over the level band, in the take's unit; NaN where no frequency
        of that band was measured.
    reliable_db : each one's fundamental, NaN where it is not reliable, shape ``(F,)`` each.
    reference : the first rung of ``rungs`` whose fundamental is reliable throughout the level
        band; None where there is none.
    return_check_db : level of the repeated first rung minus the first; None unless both were
        recorded.
    """

    rungs: list[Rung]
    rows: list[int]
    linear_db: FloatArray
    level_db: list[float]
    reliable_db: list[FloatArray]
    reference: int | None
    return_check_db: float | None


def read_levels(
    amplitudes: Amplitudes, cut_rungs: Sequence[CutRung], settings: TakeSettings
) -> LadderLevels:
    """Turn amplitudes into levels, ratios and flags.

    Parameters
    ----------
    amplitudes : of every rung, those of the repeated first rung included.
    cut_rungs : the rungs that the amplitudes belong to, in the same order.
    """
    own = [i for i, rung in enumerate(cut_rungs) if rung.role == "rung"]
    fundamentals_db = np.asarray(ratio_to_db(amplitudes.orders[0])) + settings.level_offset_db
    band = band_mask(amplitudes.frequency_hz, settings.level_band_hz)
    above_db = db_re_fundamental(amplitudes.orders[0], amplitudes.floors[0])
    known = np.isfinite(amplitudes.gain_doubt_db)[:, None]
    reliable = (above_db >= RELIABLE_DB) & amplitudes.usable[0] & known
    reference = next(
        (
            place
            for place, i in enumerate(own)
            if np.mean(reliable[i, band]) >= REFERENCE_SHARE and not cut_rungs[i].clipped
        ),
        None,
    )
    linear_db = fundamentals_db[own[reference or 0]]
    if holds_a_point(amplitudes.frequency_hz, settings.level_band_hz):
        level_db = [_band_level_db(fundamentals_db[i], band) for i in own]
    else:
        level_db = [float("nan")] * len(own)
    rungs = [
        _rung(amplitudes, i, cut_rungs[i], linear_db, fundamentals_db[i], level, settings)
        for i, level in zip(own, level_db, strict=True)
    ]
    return LadderLevels(
        rungs=rungs,
        rows=own,
        linear_db=linear_db,
        level_db=level_db,
        reliable_db=[np.where(reliable[i], fundamentals_db[i], np.nan) for i in own],
        reference=reference,
        return_check_db=_return_check_db(cut_rungs, fundamentals_db, band),
    )


def band_mask(frequency_hz: FloatArray, band_hz: tuple[float, float]) -> BoolArray:
    """Tell which grid points lie in a band; the whole grid where none does.

    No level may be stated of the whole grid then: see ``holds_a_point``.
    """
    inside = (frequency_hz >= band_hz[0]) & (frequency_hz <= band_hz[1])
    return inside if np.any(inside) else np.ones_like(inside)


def holds_a_point(frequency_hz: FloatArray, band_hz: tuple[float, float]) -> bool:
    """Tell whether any grid point lies in a band."""
    return bool(np.any((frequency_hz >= band_hz[0]) & (frequency_hz <= band_hz[1])))


def _rung(
    amplitudes: Amplitudes,
    row: int,
    cut: CutRung,
    linear_db: FloatArray,
    fundamental_db: FloatArray,
    level_db: float,
    settings: TakeSettings,
) -> Rung:
    """Build one rung; ``linear_db`` stands for the linear response, ``level_db`` is its level."""
    fundamental = amplitudes.orders[0, row]
    orders = amplitudes.orders[1:, row]
    floors = np.hypot(amplitudes.floors[1:, row], amplitudes.leaks[1:] * fundamental)
    usable = amplitudes.usable[1:, row] & amplitudes.usable[0, row]
    inside = np.isfinite(orders)
    summed = np.sum(inside, axis=0)
    none = summed == 0
    distortion = np.sqrt(np.sum(np.where(inside, orders, 0.0) ** 2, axis=0))
    distortion_floor = np.sqrt(np.sum(np.where(inside, floors, 0.0) ** 2, axis=0))
    thd_db = np.where(none, np.nan, db_re_fundamental(distortion, fundamental))
    thd_floor_db = np.where(none, np.nan, db_re_fundamental(distortion_floor, fundamental))
    total = np.hypot(distortion, fundamental)
    floor_db = np.asarray(ratio_to_db(amplitudes.floors[0, row])) + settings.level_offset_db
    return Rung(
        drive_dbfs=cut.drive_dbfs,
        spl_db=level_db if settings.calibrated and not math.isnan(level_db) else None,
        peak_dbfs=float(ratio_to_db(max(max(s.max(), -s.min()) for s in cut.signals))),
        clipped=cut.clipped,
        fundamental_db=fundamental_db,
        fundamental_floor_db=floor_db,
        harmonics=_harmonics(orders, floors, usable, fundamental, linear_db),
        thd_db=thd_db,
        thd_percent=np.asarray(db_to_percent(thd_db)),
        thd_re_total_percent=np.where(none, np.nan, 100.0 * distortion / total),
        thd_floor_db=thd_floor_db,
        thd_reliable=(thd_db - thd_floor_db >= RELIABLE_DB) & np.all(usable | ~inside, axis=0),
        orders_summed=summed,
        high_order_db=db_re_fundamental(amplitudes.high_orders[row], fundamental),
        high_order_floor_db=db_re_fundamental(amplitudes.high_order_floors[row], fundamental),
        impulsive_db=db_re_fundamental(amplitudes.impulses[row], fundamental),
    )


def _harmonics(
    orders: FloatArray,
    floors: FloatArray,
    usable: BoolArray,
    fundamental: FloatArray,
    linear_db: FloatArray,
) -> dict[int, HarmonicCurve]:
    """Build the curves of the orders from the second on, each a row of the arrays."""
    levels_db = db_re_fundamental(orders, fundamental)
    floors_db = db_re_fundamental(floors, fundamental)
    reliable = (levels_db - floors_db >= RELIABLE_DB) & usable
    return {
        index + 2: HarmonicCurve(
            level_db=levels_db[index],
            floor_db=floors_db[index],
            reliable=reliable[index],
            input_referred_db=input_referred_db(levels_db[index], linear_db, order=index + 2),
        )
        for index in range(len(orders))
    }


def _band_level_db(fundamental_db: FloatArray, band: BoolArray) -> float:
    return float(power_to_db(np.mean(db_to_power(fundamental_db[band]))))


def _return_check_db(
    cut_rungs: Sequence[CutRung],
    fundamentals_db: FloatArray,
    band: BoolArray,
) -> float | None:
    """Level of the repeated first rung minus the first; None unless both were recorded."""
    for i, rung in enumerate(cut_rungs):
        if rung.role != "return":
            continue
        for j, first in enumerate(cut_rungs):
            if first.role == "rung" and first.drive_dbfs == rung.drive_dbfs:
                return _band_level_db(fundamentals_db[i], band) - _band_level_db(
                    fundamentals_db[j], band
                )
    return None


def input_referred_db(levels_db: FloatArray, response_db: FloatArray, *, order: int) -> FloatArray:
    """Divide the linear response between f and n·f out of harmonic levels.

    ``levels_db`` has shape ``(R, F)``, ``response_db`` ``(F,)`` is the fundamental of the
    rung that stands for the linear response. Between grid points the response is
    interpolated by a cubic.
    """
    shift = POINTS_PER_OCTAVE * math.log2(order)
    whole = int(shift)
    u = shift - whole
    # Past the last grid point the response is held: the band ends less than a step later.
    padded = np.concatenate([response_db[:1], response_db, np.repeat(response_db[-1:], whole + 3)])
    at = [padded[whole + k :][: len(response_db)] for k in range(4)]
    radiated_db = (
        -u * (u - 1.0) * (u - 2.0) / 6.0 * at[0]
        + (u + 1.0) * (u - 1.0) * (u - 2.0) / 2.0 * at[1]
        - (u + 1.0) * u * (u - 2.0) / 2.0 * at[2]
        + (u + 1.0) * u * (u - 1.0) / 6.0 * at[3]
    )
    return np.asarray(levels_db + response_db - radiated_db)


def db_re_fundamental(amplitudes: FloatArray, fundamental: FloatArray) -> FloatArray:
    """Return 20·log10(amplitude / fundamental at the same excitation frequency)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(ratio_to_db(amplitudes / fundamental))
