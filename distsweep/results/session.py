"""Records of what was noted of a session: the loudspeaker, the conditions, the calibration."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from distsweep.results.record import Record

DEFAULT_LEVEL_BAND_HZ = (300.0, 3000.0)
"""Band over which a rung's SPL is taken, if the session names none (contract)."""


@dataclass(frozen=True, repr=False)
class Noted(Record, Mapping[str, Any]):
    """Base of records that are a table of what was noted, in the file and to who reads them.

    ``results.device["name"]`` and ``results.device.name`` are the same; a field that is None is
    not in the table. ``others`` holds what else stands in the file, added by hand.
    """

    others: dict[str, Any] = field(default_factory=dict, kw_only=True)

    def __repr__(self) -> str:
        """Return the class's name with what was noted."""
        return f"{type(self).__name__}({self._table()})"

    def __getitem__(self, name: str) -> Any:
        """Return what was noted under a name."""
        return self._table()[name]

    def __iter__(self) -> Iterator[str]:
        """Iterate over the names."""
        return iter(self._table())

    def __len__(self) -> int:
        """Return how many values were noted."""
        return len(self._table())

    def _table(self) -> dict[str, Any]:
        own = {one.name: getattr(self, one.name) for one in fields(self) if one.name != "others"}
        return {name: value for name, value in own.items() if value is not None} | self.others


@dataclass(frozen=True, repr=False)
class Device(Noted):
    """The loudspeaker: inner cabinet width, height, depth and port in mm, as far as known."""

    name: str | None = None
    cabinet_mm: tuple[float, ...] | None = None
    port_mm: dict[str, float] | None = None


@dataclass(frozen=True, repr=False)
class Conditions(Noted):
    """Where and how it was measured; None where it was not noted.

    ``date`` is the day of the measurement (ISO 8601). A session always has a
    ``level_band_hz``; a file of results may have been made without.
    """

    temperature_c: float | None = None
    distance_m: float | None = None
    listener_distance_m: float | None = None
    level_band_hz: tuple[float, float] | None = DEFAULT_LEVEL_BAND_HZ
    date: str | None = None

    @property
    def averaged_hz(self) -> tuple[float, float]:
        """Band that a rung's level is the mean over."""
        return self.level_band_hz or DEFAULT_LEVEL_BAND_HZ


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
