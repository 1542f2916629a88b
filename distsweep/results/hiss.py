"""Records of background takes: what the loudspeaker adds to the background while nothing plays."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from distsweep.results.record import Record
from distsweep.units import FloatArray

KIND = "background"
"""Kind of a take in which nothing was played."""


@dataclass(frozen=True, repr=False)
class Hiss(Record):
    """The loudspeaker's own noise: that with it on minus that with it off, at the microphone.

    Attributes
    ----------
    a_weighted_db, low_db, high_db : A-weighted level with its 95 % interval, in the take's unit. A
        low end of None is "at most"; then the level is None where the difference was nothing.
    third_octave_hz : nominal midband frequencies, shape ``(B,)``.
    level_db, level_low_db, level_high_db : in each third, shape ``(B,)``; −inf is "at most".
    pairs : recordings with the loudspeaker on and off that it comes from.
    distance_m : the microphone's; None where it is not known, and nothing is said of audibility.
    room_db : the room's noise in each third that audibility is held against; empty without it.
    room_from : "listener", "axis", "ladder" or "here": where that was measured; None where it was
        not.
    threshold_db : threshold of hearing in each third; NaN where none is given.
    audible_to_m, audible_to_low_m, audible_to_high_m : distance up to which the direct sound is
        heard, with its interval; a low end of None is "at most".
    audible_in_silence_m, audible_in_silence_high_m : the same with the threshold of hearing alone,
        without the room's noise, and its upper end.
    heard_at_hz : the third it is heard by at that distance.
    hidden_by : "room" or "threshold": what ends it there.
    listener_distance_m, at_listener_db : listener's distance, and the A-weighted level of the
        direct sound there; at_listener_high_db its upper end.
    at_1m_db, at_1m_high_db : the same at 1 m.
    """

    a_weighted_db: float | None
    low_db: float | None
    high_db: float | None
    third_octave_hz: FloatArray
    level_db: FloatArray
    level_low_db: FloatArray
    level_high_db: FloatArray
    pairs: int
    distance_m: float | None = None
    room_db: FloatArray = field(default_factory=lambda: np.zeros(0))
    room_from: str | None = None
    threshold_db: FloatArray = field(default_factory=lambda: np.zeros(0))
    audible_to_m: float | None = None
    audible_to_low_m: float | None = None
    audible_to_high_m: float | None = None
    heard_at_hz: float | None = None
    hidden_by: str | None = None
    listener_distance_m: float | None = None
    at_listener_db: float | None = None
    at_listener_high_db: float | None = None
    audible_in_silence_m: float | None = None
    audible_in_silence_high_m: float | None = None
    at_1m_db: float | None = None
    at_1m_high_db: float | None = None
