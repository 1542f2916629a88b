"""The A-weighted level of what comes in, as meters show it."""

from __future__ import annotations

from distsweep.analysis.noise.third_octave_levels import noise_levels
from distsweep.takes.session_calibration import Calibration
from distsweep.units import FloatArray, power_to_db

SHOWN_OVER_S = 1.0
"""Time over which a running level is worked out (chosen: a number can be read, and it follows the
room)."""


def a_weighted_db(samples: FloatArray, *, rate_hz: int, calibration: Calibration) -> float | None:
    """Return an A-weighted level in the calibration's unit; None of silence, and of too little."""
    levels = noise_levels(samples, rate_hz=rate_hz, correction_db=calibration.correction_db)
    if levels is None or not levels.a_weighted > 0.0:
        return None
    return float(power_to_db(levels.a_weighted)) + calibration.level_offset_db
