"""From amplitudes to what results hold: levels, THD, what is reliable, gain change."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.cut import CutRung
from distsweep.analysis.limits.gain_change import gain_changes
from distsweep.analysis.noise.certainty import RELIABLE_DB
from distsweep.analysis.sweep.harmonics import Amplitudes, db_re_fundamental, input_referred_db
from distsweep.results import Compression, HarmonicCurve, Rung, Warning_
from distsweep.units import (
    BoolArray,
    FloatArray,
    db_to_percent,
    db_to_power,
    power_to_db,
    ratio_to_db,
)

RETURN_LIMIT_DB = 0.3
"""A repeated first rung that differs by more is worth a warning (chosen: a small loudspeaker
that is merely warm differs by 0.1 dB)."""

FALLING_OUTPUT_DB = -1.0
"""Output that falls by more while the drive rises is no limiter's: recordings were swapped."""

RISING_GAIN_DB = 1.0
"""Gain that rises by more than this with level is no loudspeaker's: levels were mixed up."""


@dataclass(frozen=True)
class LadderReading:
    """A ladder's share of a take's results."""

    rungs: list[Rung]
    compression: Compression
    return_check_db: float | None
    warnings: list[Warning_]


def read_ladder(
    amplitudes: Amplitudes,
    cut_rungs: Sequence[CutRung],
    *,
    level_offset_db: float,
    level_band_hz: tuple[float, float],
    calibrated: bool,
) -> LadderReading:
    """Turn amplitudes into levels, ratios and flags.

    Parameters
    ----------
    amplitudes : of every rung, those of the repeated first rung included.
    cut_rungs : the rungs that the amplitudes belong to, in the same order.
    level_offset_db : level of a 0 dBFS sine in the take's unit.
    level_band_hz : a rung's level is the power mean of the fundamental over this band.
    calibrated : whether levels are sound pressure levels.
    """
    own = [i for i, rung in enumerate(cut_rungs) if rung.role == "rung"]
    fundamentals_db = np.asarray(ratio_to_db(amplitudes.orders[0])) + level_offset_db
    band = band_mask(amplitudes.frequency_hz, level_band_hz)
    clear = _fundamental_clear(amplitudes)
    reference = next(
        (i for i in own if np.mean(clear[i, band]) >= 0.95 and not cut_rungs[i].clipped), None
    )
    linear_db = fundamentals_db[own[0] if reference is None else reference]
    rungs = [
        _rung(amplitudes, i, cut_rungs[i], linear_db, fundamentals_db[i], level_offset_db)
        for i in own
    ]
    for rung in rungs:
        if calibrated and holds_a_point(amplitudes.frequency_hz, level_band_hz):
            rung.spl_db = _band_level_db(rung.fundamental_db, band)
    compression = gain_changes(
        [np.where(clear[i], fundamentals_db[i], np.nan) for i in own],
        [cut_rungs[i].drive_dbfs for i in own],
        reference=None if reference is None else own.index(reference),
    )
    return_check_db = _return_check_db(cut_rungs, fundamentals_db, band)
    return LadderReading(
        rungs=rungs,
        compression=compression,
        return_check_db=return_check_db,
        warnings=_warnings(rungs, compression, return_check_db, band),
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


def _fundamental_clear(amplitudes: Amplitudes) -> BoolArray:
    above_db = db_re_fundamental(amplitudes.orders[0], amplitudes.floors[0])
    return np.asarray((above_db >= RELIABLE_DB) & amplitudes.usable[0])


def _rung(
    amplitudes: Amplitudes,
    row: int,
    cut: CutRung,
    linear_db: FloatArray,
    fundamental_db: FloatArray,
    level_offset_db: float,
) -> Rung:
    """Build one rung; ``spl_db`` is left to the caller."""
    fundamental = amplitudes.orders[0, row]
    orders = amplitudes.orders[1:, row]
    floors = np.hypot(amplitudes.floors[1:, row], amplitudes.leaks[1:] * fundamental)
    usable = amplitudes.usable[1:, row] & amplitudes.usable[0, row]
    levels_db = db_re_fundamental(orders, fundamental)
    floors_db = db_re_fundamental(floors, fundamental)
    reliable = (levels_db - floors_db >= RELIABLE_DB) & usable
    harmonics = {
        index + 2: HarmonicCurve(
            level_db=levels_db[index],
            floor_db=floors_db[index],
            reliable=reliable[index],
            input_referred_db=input_referred_db(levels_db[index], linear_db, order=index + 2),
        )
        for index in range(len(orders))
    }
    inside = np.isfinite(orders)
    summed = np.sum(inside, axis=0)
    none = summed == 0
    distortion = np.sqrt(np.sum(np.where(inside, orders, 0.0) ** 2, axis=0))
    distortion_floor = np.sqrt(np.sum(np.where(inside, floors, 0.0) ** 2, axis=0))
    thd_db = np.where(none, np.nan, db_re_fundamental(distortion, fundamental))
    thd_floor_db = np.where(none, np.nan, db_re_fundamental(distortion_floor, fundamental))
    total = np.hypot(distortion, fundamental)
    return Rung(
        drive_dbfs=cut.drive_dbfs,
        spl_db=None,
        peak_dbfs=float(ratio_to_db(max(max(s.max(), -s.min()) for s in cut.signals))),
        clipped=cut.clipped,
        fundamental_db=fundamental_db,
        fundamental_floor_db=np.asarray(ratio_to_db(amplitudes.floors[0, row])) + level_offset_db,
        harmonics=harmonics,
        thd_db=thd_db,
        thd_percent=np.asarray(db_to_percent(thd_db)),
        thd_re_total_percent=np.where(none, np.nan, 100.0 * distortion / total),
        thd_floor_db=thd_floor_db,
        thd_reliable=(thd_db - thd_floor_db >= RELIABLE_DB) & np.all(usable | ~inside, axis=0),
        orders_summed=summed,
        high_order_db=db_re_fundamental(amplitudes.high_orders[row], fundamental),
        high_order_floor_db=db_re_fundamental(amplitudes.high_order_floors[row], fundamental),
    )


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


def _warnings(
    rungs: Sequence[Rung],
    compression: Compression,
    return_check_db: float | None,
    band: BoolArray,
) -> list[Warning_]:
    warnings = []
    for number, rung in enumerate(rungs):
        if rung.clipped:
            warnings.append(
                Warning_(
                    "clipped",
                    f"The recording clips in the rung at {rung.drive_dbfs:g} dBFS: what was"
                    " clipped is not called reliable. Lower the input gain.",
                    rung=number,
                )
            )
    if compression.reference_drive_dbfs is None:
        warnings.append(
            Warning_(
                "no_reference",
                "No rung stands clear of the background noise: gain change cannot be stated.",
            )
        )
    elif len(rungs) == 1:
        warnings.append(
            Warning_("one_rung", "There is one rung only: gain change cannot be stated.")
        )
    for number, change_db in enumerate(compression.gain_change_db):
        if np.median(change_db[band]) > RISING_GAIN_DB:
            warnings.append(
                Warning_(
                    "gain_rises",
                    f"The gain at {rungs[number].drive_dbfs:g} dBFS is"
                    f" {np.median(change_db[band]):.1f} dB above the reference rung's: were the"
                    " levels changed by hand, or is this another stimulus's sidecar?",
                    rung=number,
                )
            )
    for number, (quieter, louder) in enumerate(itertools.pairwise(rungs), start=1):
        risen_db = np.median((louder.fundamental_db - quieter.fundamental_db)[band])
        if risen_db < FALLING_OUTPUT_DB:
            warnings.append(
                Warning_(
                    "output_falls",
                    f"The output at {louder.drive_dbfs:g} dBFS is {-risen_db:.1f} dB below that at"
                    f" {quieter.drive_dbfs:g} dBFS: are the recordings in the levels' order?",
                    rung=number,
                )
            )
    if return_check_db is not None and abs(return_check_db) > RETURN_LIMIT_DB:
        warnings.append(
            Warning_(
                "not_come_back",
                f"The repeated first rung differs from the first by {return_check_db:+.2f} dB:"
                " the loudspeaker is hot or hurt, or the gain was touched.",
            )
        )
    return warnings
