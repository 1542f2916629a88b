"""Records of background takes, and of the hiss that they show."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from distsweep.analysis.noise.hearing import Audible, at_distance_db, audible_to, thresholds_db
from distsweep.analysis.noise.hiss import HissPower, hiss_power
from distsweep.analysis.third_octave import band_edges_hz
from distsweep.conversion.take import calibration_record
from distsweep.results import BACKGROUND, Conditions, Hiss, Take
from distsweep.takes.background import FoundBackground, room_for
from distsweep.takes.session_takes import STATES
from distsweep.units import FloatArray, power_to_db


def background_records(
    places: Sequence[FoundBackground], takes: Sequence[Take], conditions: Conditions
) -> list[Take]:
    """Return the takes of the background; of each position that with the loudspeaker on first.

    ``takes`` are those of stimuli, whose own background serves where no other is known.
    """
    return [
        _record(place, state, places, takes, conditions)
        for place in places
        for state in STATES
        if place.levels.get(state)
    ]


def _record(
    place: FoundBackground,
    state: str,
    places: Sequence[FoundBackground],
    takes: Sequence[Take],
    conditions: Conditions,
) -> Take:
    levels = place.levels[state]
    thirds_hz = levels[0].frequency_hz
    return Take(
        position=place.position,
        stimulus="",
        kind=BACKGROUND,
        clock_drift_ppm=None,
        level_unit=place.calibration.level_unit,
        frequency_hz=np.zeros(0),
        band_hz=[band_edges_hz(thirds_hz[0])[0], band_edges_hz(thirds_hz[-1])[1]],
        drive_shape_db=np.zeros(0),
        rungs=[],
        calibration=calibration_record(place.calibration),
        distance_m=place.distance_m,
        state=state,
        third_octave_hz=thirds_hz,
        level_db=power_to_db(np.mean([one.power for one in levels], axis=0)),
        a_weighted_db=float(power_to_db(np.mean([one.a_weighted for one in levels]))),
        hiss=_hiss(place, places, takes, conditions) if state == "on" else None,
    )


def _hiss(
    place: FoundBackground,
    places: Sequence[FoundBackground],
    takes: Sequence[Take],
    conditions: Conditions,
) -> Hiss:
    found = hiss_power(place.on, place.off)
    calibrated = place.calibration.pascal_per_fs is not None
    heard = _audibility(place, found, places, takes, conditions) if calibrated else {}
    return Hiss(
        a_weighted_db=_level_or_none(found.a_weighted),
        low_db=_level_or_none(found.a_weighted_low),
        high_db=_level_or_none(found.a_weighted_high),
        third_octave_hz=found.frequency_hz,
        level_db=power_to_db(found.power),
        level_low_db=power_to_db(found.low),
        level_high_db=power_to_db(found.high),
        pairs=found.pairs,
        distance_m=place.distance_m,
        **heard,
    )


def _audibility(
    place: FoundBackground,
    found: HissPower,
    places: Sequence[FoundBackground],
    takes: Sequence[Take],
    conditions: Conditions,
) -> dict[str, Any]:
    """Return what is recorded of how far away a calibrated hiss is heard."""
    measured_m, listener_m = place.distance_m, conditions.listener_distance_m
    room_from, room_db, room_spread_db = room_for(place, places, takes)
    threshold_db = thresholds_db(found.frequency_hz)
    fields: dict[str, Any] = {
        "room_db": room_db,
        "room_from": room_from,
        "threshold_db": np.where(np.isfinite(threshold_db), threshold_db, np.nan),
    }
    if measured_m is None:
        return fields

    def heard_over(noise_db: FloatArray) -> Audible:
        return audible_to(
            found.frequency_hz,
            level_db=power_to_db(found.power),
            low_db=power_to_db(np.where(found.there, found.low, 0.0)),
            high_db=power_to_db(found.high),
            measured_m=measured_m,
            room_db=noise_db,
            room_spread_db=room_spread_db,
        )

    heard, in_silence = heard_over(room_db), heard_over(np.full_like(room_db, -np.inf))
    fields |= {
        "audible_to_m": heard.distance_m,
        "audible_to_low_m": heard.low_m,
        "audible_to_high_m": heard.high_m,
        "audible_in_silence_m": in_silence.distance_m,
        "audible_in_silence_high_m": in_silence.high_m,
        "heard_at_hz": heard.frequency_hz,
        "hidden_by": "room" if heard.by_room else "threshold",
    }
    fields |= _carried(found, measured_m, 1.0, "at_1m")
    if listener_m is None:
        return fields
    return fields | {
        "listener_distance_m": listener_m,
        **_carried(found, measured_m, listener_m, "at_listener"),
    }


def _carried(
    found: HissPower, measured_m: float, distance_m: float, name: str
) -> dict[str, float | None]:
    """Return the A-weighted level of the direct sound at a distance, and its upper end."""
    levels_db = {
        f"{name}_db": _level_or_none(found.a_weighted),
        f"{name}_high_db": _level_or_none(found.a_weighted_high),
    }
    return {
        key: None
        if level_db is None
        else at_distance_db(level_db, measured_m=measured_m, distance_m=distance_m)
        for key, level_db in levels_db.items()
    }


def _level_or_none(power: float) -> float | None:
    return float(power_to_db(power)) if power > 0.0 else None
