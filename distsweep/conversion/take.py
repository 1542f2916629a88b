"""Records of takes, warnings and calibrations.

What analysis builds as a record already (rungs, compression, clean levels, background) is taken as
it is; reasons become sentences here, by `distsweep.words`.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from distsweep.analysis.ladder import MeasuredLadder
from distsweep.analysis.noise.interval import is_reliable
from distsweep.analysis.sweep.shown_impulse import shown_impulse
from distsweep.conversion.limits import limiter_record
from distsweep.reason import Reason
from distsweep.results import (
    AXIS,
    Damage,
    ImpulseResponse,
    Loopback,
    RecordedCalibration,
    Rung,
    Take,
    ThdAdvice,
    Warning_,
)
from distsweep.takes.session_calibration import Calibration
from distsweep.takes.take import FoundTake
from distsweep.words.advice import advice_sentence
from distsweep.words.damage import damage_sentence
from distsweep.words.warnings import warning_sentence

if TYPE_CHECKING:
    from distsweep.analysis.staircase import MeasuredStaircase


def take_record(
    take: FoundTake,
    measured: MeasuredLadder | MeasuredStaircase,
    calibration: Calibration,
    *,
    loopback: Loopback | None = None,
) -> Take:
    """Return a take's record, but for what the search for resonances adds to it."""
    if isinstance(measured, MeasuredLadder):
        fields = _ladder_fields(measured)
        fields["damage"] = damage_records(take.in_file_time(measured.damage), measured.rungs)
        if take.entry.position == AXIS:  # elsewhere nobody asks for it
            fields["impulse"] = _impulse_record(measured)
    else:
        fields = _staircase_fields(measured)
    return Take(
        position=take.entry.position,
        stimulus=take.entry.stimulus.name,
        kind=take.stimulus.recipe.kind,
        clock_drift_ppm=take.cutting.clock_drift_ppm,
        level_unit=calibration.level_unit,
        band_hz=list(take.band_hz),
        background=measured.background,
        calibration=calibration_record(calibration),
        partial=take.entry.partial,
        placement=take.entry.placement,
        distance_m=take.entry.distance_m,
        loopback=loopback,
        **fields,
    )


def _impulse_record(measured: MeasuredLadder) -> ImpulseResponse | None:
    """Return the impulse response of the loudest rung that did not clip."""
    drives = [rung.drive_dbfs for rung in measured.rungs if not rung.clipped]
    return shown_impulse(measured.impulse, drive_dbfs=max(drives)) if drives else None


def _ladder_fields(measured: MeasuredLadder) -> dict[str, Any]:
    """Return the fields of a take that a ladder fills."""
    return {
        "frequency_hz": measured.frequency_hz,
        "drive_shape_db": measured.drive_shape_db,
        "rungs": measured.rungs,
        "compression": measured.compression,
        "return_check_db": measured.return_check_db,
        "limiters": [limiter_record(limiter) for limiter in measured.limits.limiters],
        "high_order_onset": measured.limits.high_order_onset,
        "thd_advice": advice_records(measured.thd_advice),
    }


def damage_records(damage: Sequence[Damage], rungs: Sequence[Rung]) -> list[Damage]:
    """Return damage with its sentences; ``rungs`` are those that it counts."""
    return [dataclasses.replace(one, sentence=damage_sentence(one, rungs)) for one in damage]


def advice_records(advice: Sequence[ThdAdvice], rungs: Sequence[Rung] = ()) -> list[ThdAdvice]:
    """Return advice with its sentences.

    ``rungs`` are those whose intervals were widened afterwards, where sweeps passed modes too fast:
    advice on one of which fewer bands are known by that says that it is of noise alone.
    """
    known = {rung.drive_dbfs: rung.thd_third_octave for rung in rungs}
    found = []
    for one in advice:
        beside_modes = False
        thirds = known.get(one.drive_dbfs)
        if thirds is not None:
            f = thirds.frequency_hz
            asked = (f >= one.low_hz) & (f <= one.high_hz)
            left = int(np.sum(is_reliable(thirds.low_db, thirds.high_db) & asked))
            beside_modes = left < one.bands_known
        counted = dataclasses.replace(one, beside_modes=beside_modes)
        found.append(dataclasses.replace(counted, sentence=advice_sentence(counted)))
    return found


def _staircase_fields(measured: MeasuredStaircase) -> dict[str, Any]:
    """Return the fields of a take that a staircase fills."""
    from distsweep.conversion.staircase import staircase_record

    return {
        "frequency_hz": measured.frequency_hz,
        "drive_shape_db": np.zeros(len(measured.frequency_hz)),
        "rungs": [],
        "staircase": [staircase_record(tone) for tone in measured.tones],
        "clean_level": measured.clean_level,
        "high_order_onset": measured.high_order_onset,
    }


def warning_record(reason: Reason, *, take: str | None = None) -> Warning_:
    """Return a warning's record; its place is among the reason's values, or in ``take``."""
    place = {key: reason.values.get(key) for key in ("rung", "frequency_hz")}
    named = reason.values.get("take", take)
    return Warning_(reason.code, warning_sentence(reason), take=named, **place)  # type: ignore[arg-type]


def calibration_record(calibration: Calibration) -> RecordedCalibration:
    """Return what is recorded of a calibration: only what was given."""
    scale = calibration.pascal_per_fs
    record = RecordedCalibration(
        pascal_per_fs=scale,
        spl_at_0dbfs_db=None if scale is None else calibration.level_offset_db,
        source=None if scale is None else calibration.source,
    )
    if calibration.mic is None:
        return record
    largest_at_hz, largest_db = calibration.mic.largest
    return dataclasses.replace(
        record,
        mic_correction=calibration.mic_correction_file,
        mic_correction_points=len(calibration.mic.frequency_hz),
        mic_correction_largest_db=largest_db,
        mic_correction_largest_at_hz=largest_at_hz,
    )
