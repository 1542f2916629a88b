"""Checks of what a sidecar says: types first, then whether the places can be."""

from __future__ import annotations

import dataclasses
import math
import typing
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from distsweep.stimulus.marker import Marker
    from distsweep.stimulus.sweep import Sweep

_T = TypeVar("_T")


def build(kind: type[_T], data: Any, **ready: Any) -> _T:
    """Build a flat dataclass from JSON, every value held against its annotation.

    ``ready`` are fields that the caller has built already.

    Raises
    ------
    ValueError
        A field is missing, unknown, or of another type than its annotation.
    """
    if not isinstance(data, dict):
        raise ValueError(f"{kind.__name__} is {data!r}, not a table")
    hints = typing.get_type_hints(kind)
    fields = {item.name: item for item in dataclasses.fields(typing.cast(Any, kind))}
    values = {name: value for name, value in data.items() if name not in ready}
    for name, value in values.items():
        if name not in fields:
            raise ValueError(f"{kind.__name__} has no {name}")
        if not _fits(hints[name], value):
            raise ValueError(f"{name} is {value!r}")
    for name, item in fields.items():
        if name not in values and name not in ready and item.default is dataclasses.MISSING:
            raise ValueError(f"{name} is missing")
    return kind(**values, **ready)


def _fits(hint: Any, value: Any) -> bool:
    if isinstance(value, bool):
        return hint is bool
    if value is None:
        return type(None) in typing.get_args(hint)
    if hint is int:
        return isinstance(value, int) and abs(value) < 2**40
    if hint is float or float in typing.get_args(hint):
        return isinstance(value, int | float) and math.isfinite(value) and abs(value) < 1e12
    return isinstance(value, hint)


def check_sweep(sweep: Sweep, *, rate_hz: int, faded: bool = True) -> None:
    """Refuse a sweep that cannot have been played; ``faded`` asks for a fade at both ends.

    Raises
    ------
    ValueError
        A length, a rate or a frequency cannot be.
    """
    rises = [sweep.start_hz, sweep.full_from_hz, sweep.full_to_hz, sweep.stop_hz]
    require(sweep.rate_hz == rate_hz, f"the sweep's rate_hz is {sweep.rate_hz}")
    fits = rises == sorted(set(rises) if faded else rises) and rises[1] < rises[2]
    require(rises[0] > 0.0 and fits, f"the sweep runs over {rises} Hz")
    require(sweep.stop_hz <= 0.5 * rate_hz, f"the sweep's stop_hz is {sweep.stop_hz}")
    require(rate_hz // 2 <= sweep.samples, f"the sweep's samples are {sweep.samples}")
    expected_s = sweep.duration_s / math.log(sweep.stop_hz / sweep.start_hz)
    require(
        math.isclose(sweep.rate_constant_s, expected_s, rel_tol=1e-6),
        f"rate_constant_s is {sweep.rate_constant_s}",
    )
    require(
        sweep.reduce_drive_below_hz is None or sweep.reduce_drive_below_hz > 0.0,
        "reduce_drive_below_hz",
    )


def check_marker(marker: Marker, *, rate_hz: int) -> None:
    """Refuse a marker that cannot have been played.

    Raises
    ------
    ValueError
        A length, a rate or a frequency cannot be.
    """
    require(marker.rate_hz == rate_hz, f"the marker's rate_hz is {marker.rate_hz}")
    require(
        0.0 < marker.stop_hz < marker.start_hz < 0.4 * rate_hz,
        f"the marker falls from {marker.start_hz} to {marker.stop_hz} Hz",
    )
    require(
        rate_hz // 20 <= marker.samples <= 60 * rate_hz,
        f"the marker's samples are {marker.samples}",
    )


def require(condition: bool, problem: str) -> None:
    """Raise ValueError with ``problem`` unless the condition holds."""
    if not condition:
        raise ValueError(problem)
