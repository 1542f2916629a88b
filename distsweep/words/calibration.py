"""Words on what levels go by."""

from __future__ import annotations

from distsweep.results import RecordedCalibration
from distsweep.words.wording import frequency, signed


def correction(calibration: RecordedCalibration) -> str:
    """Say which correction was applied, at how many points, and its largest value; "" if none."""
    name = calibration.mic_correction
    if not name:
        return ""
    points = calibration.mic_correction_points
    largest_db = calibration.mic_correction_largest_db
    at_hz = calibration.mic_correction_largest_at_hz
    if points is None or largest_db is None or at_hz is None:  # results of an earlier version
        return str(name)
    return (
        f"{name}: {points} points, largest {signed(largest_db, 2)} dB at"
        f" {frequency(at_hz)}, subtracted"
    )
