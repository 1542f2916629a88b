"""Records of what was noted of a session: the loudspeaker, the conditions, the calibration."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

from distsweep.results.record import Record

DEFAULT_LEVEL_BAND_HZ = (300.0, 3000.0)
"""Band over which a rung's SPL is taken, if the session names none (contract)."""


class Noted(Record):
    """Base of records of which the file holds only what was noted: no field that is None."""

    def noted(self) -> dict[str, Any]:
        """Return the fields that are not None, by name."""
        fields = dataclasses.fields(self)  # type: ignore[arg-type]
        values = {field.name: getattr(self, field.name) for field in fields}
        return {name: value for name, value in values.items() if value is not None}


@dataclass(frozen=True, repr=False)
class Device(Noted):
    """The loudspeaker: inner cabinet width, height, depth and port in mm, as far as known."""

    name: str | None = None
    cabinet_mm: tuple[float, ...] | None = None
    port_mm: dict[str, float] | None = None


@dataclass(frozen=True, repr=False)
class Conditions(Noted):
    """Where and how it was measured; None where it was not noted."""

    temperature_c: float | None = None
    distance_m: float | None = None
    listener_distance_m: float | None = None
    level_band_hz: tuple[float, float] = DEFAULT_LEVEL_BAND_HZ


@dataclass(frozen=True, repr=False)
class RecordedCalibration(Noted):
    """What levels go by: RMS pressure of a 0 dBFS sine, and the microphone's correction.

    ``source`` is where the calibration was taken from, ``mic_correction`` the correction's file;
    it has ``mic_correction_points`` points, the largest deviation among them with its frequency.
    """

    pascal_per_fs: float | None = None
    spl_at_0dbfs_db: float | None = None
    source: str | None = None
    mic_correction: str | None = None
    mic_correction_points: int | None = None
    mic_correction_largest_db: float | None = None
    mic_correction_largest_at_hz: float | None = None
