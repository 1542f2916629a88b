"""The threshold of hearing, and from how far away a hiss is heard.

Direct sound of a small source falls as 1/r: by 20·lg(r/r₀) dB from the distance r₀ that it was
measured at. It is called audible up to where, in its best third of an octave, it is as strong as
the larger of two: the threshold of hearing, and the room's own noise in that third.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.analysis.noise.interval import TWO_SIDED
from distsweep.units import FloatArray, db_to_ratio, ratio_to_db

THRESHOLD_SPL_DB: dict[float, float] = {
    20.0: 78.1, 25.0: 68.7, 31.5: 59.5, 40.0: 51.1, 50.0: 44.0, 63.0: 37.5, 80.0: 31.5,
    100.0: 26.5, 125.0: 22.1, 160.0: 17.9, 200.0: 14.4, 250.0: 11.4, 315.0: 8.6, 400.0: 6.2,
    500.0: 4.4, 630.0: 3.0, 800.0: 2.2, 1000.0: 2.4, 1250.0: 3.5, 1600.0: 1.7, 2000.0: -1.3,
    2500.0: -4.2, 3150.0: -6.0, 4000.0: -5.4, 5000.0: -1.5, 6300.0: 6.0, 8000.0: 12.6,
    10000.0: 13.9, 12500.0: 12.3, 16000.0: 40.2,
}  # fmt: skip
"""Threshold of hearing of pure tones in a free field from the front, both ears, 18 to 25 years old,
dB SPL: T_f of ISO 226:2023, table 1, which are the values of ISO 389-7:2019 up to 12.5 kHz; 16 kHz
is ISO 389-7 alone. The standards themselves were not at hand: up to 12.5 kHz nine public source
files agree (20 Hz was 78.5 in ISO 226:2003), 16 kHz stands in two. None is given for the third at
20 kHz: nothing there counts as heard."""


@dataclass(frozen=True, eq=False)
class Audible:
    """From how far away a hiss is heard, in metres.

    Attributes
    ----------
    distance_m : None where no third of an octave is known to hold any hiss.
    low_m, high_m : ends of its 95 % interval; a low end of None is "at most".
    frequency_hz : the third of an octave it is heard by; None as ``distance_m``.
    by_room : the room's noise hides it beyond that, and not the threshold of hearing.
    """

    distance_m: float | None
    low_m: float | None
    high_m: float
    frequency_hz: float | None
    by_room: bool


def thresholds_db(frequency_hz: FloatArray) -> FloatArray:
    """Return the threshold of hearing at nominal midband frequencies, dB SPL; inf where none is."""
    return np.array([THRESHOLD_SPL_DB.get(round(float(f), 1), np.inf) for f in frequency_hz])


def at_distance_db(level_db: float, *, measured_m: float, distance_m: float) -> float:
    """Return the level of direct sound at another distance: 1/r, 6.02 dB a doubling."""
    return level_db - float(ratio_to_db(np.array(distance_m / measured_m)))


def audible_to(
    frequency_hz: FloatArray,
    *,
    level_db: FloatArray,
    low_db: FloatArray,
    high_db: FloatArray,
    measured_m: float,
    room_db: FloatArray,
    room_spread_db: FloatArray,
) -> Audible:
    """Return up to which distance the direct sound of a hiss is heard.

    Parameters
    ----------
    frequency_hz : nominal midband frequencies, shape ``(B,)``.
    level_db, low_db, high_db : the hiss in each third, dB SPL at ``measured_m``; a low end of −inf
        is "at most".
    room_db, room_spread_db : the room's noise, dB SPL, and its standard deviation between
        recordings, in dB; −inf where it is not known.

    Notes
    -----
    The interval holds what is known of hiss and room; not that 1/r begins only some diameters away
    from a driver, that a room reflects, and that ears differ.
    """
    threshold_db = thresholds_db(frequency_hz)
    limit_db = np.maximum(threshold_db, room_db)

    def distances_m(levels_db: FloatArray, limits_db: FloatArray) -> FloatArray:
        return np.asarray(measured_m * db_to_ratio(levels_db - limits_db))

    quiet_db = np.maximum(threshold_db, room_db - TWO_SIDED * room_spread_db)
    loud_db = np.maximum(threshold_db, room_db + TWO_SIDED * room_spread_db)
    high_m = float(np.max(distances_m(high_db, quiet_db)))
    known = np.isfinite(low_db) & np.isfinite(level_db) & np.isfinite(limit_db)
    if not known.any():
        best = int(np.argmax(distances_m(high_db, quiet_db)))
        return Audible(None, None, high_m, None, bool(room_db[best] > threshold_db[best]))
    reach_m = np.where(known, distances_m(level_db, limit_db), 0.0)
    best = int(np.argmax(reach_m))
    return Audible(
        distance_m=float(reach_m[best]),
        low_m=float(distances_m(low_db, loud_db)[best]),
        high_m=high_m,
        frequency_hz=float(frequency_hz[best]),
        by_room=bool(room_db[best] > threshold_db[best]),
    )
