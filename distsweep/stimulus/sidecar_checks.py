"""Checks of what a sidecar says: types first, then whether the places can be."""

from __future__ import annotations

import dataclasses
import math
import typing
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from distsweep.stimulus.marker import Marker
    from distsweep.stimulus.sidecar import StimulusFile
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
        if not _is(hints[name], value):
            raise ValueError(f"{name} is {value!r}")
    for name, item in fields.items():
        if name not in values and name not in ready and item.default is dataclasses.MISSING:
            raise ValueError(f"{name} is missing")
    return kind(**values, **ready)


def _is(hint: Any, value: Any) -> bool:
    if isinstance(value, bool):
        return hint is bool
    if value is None:
        return type(None) in typing.get_args(hint)
    if hint is int:
        return isinstance(value, int) and abs(value) < 2**40
    if hint is float or float in typing.get_args(hint):
        return isinstance(value, int | float) and math.isfinite(value) and abs(value) < 1e12
    return isinstance(value, hint)


def check_sweep(sweep: Sweep, *, rate_hz: int) -> None:
    """Refuse a sweep that cannot have been played.

    Raises
    ------
    ValueError
        A length, a rate or a frequency cannot be.
    """
    rises = [sweep.start_hz, sweep.full_from_hz, sweep.full_to_hz, sweep.stop_hz]
    _hold(sweep.rate_hz == rate_hz, f"the sweep's rate_hz is {sweep.rate_hz}")
    _hold(rises[0] > 0.0 and rises == sorted(set(rises)), f"the sweep runs over {rises} Hz")
    _hold(sweep.stop_hz < 0.5 * rate_hz, f"the sweep's stop_hz is {sweep.stop_hz}")
    _hold(rate_hz // 2 <= sweep.samples, f"the sweep's samples are {sweep.samples}")
    expected_s = sweep.duration_s / math.log(sweep.stop_hz / sweep.start_hz)
    _hold(
        math.isclose(sweep.rate_constant_s, expected_s, rel_tol=1e-6),
        f"rate_constant_s is {sweep.rate_constant_s}",
    )
    _hold(
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
    _hold(marker.rate_hz == rate_hz, f"the marker's rate_hz is {marker.rate_hz}")
    _hold(
        0.0 < marker.stop_hz < marker.start_hz < 0.4 * rate_hz,
        f"the marker falls from {marker.start_hz} to {marker.stop_hz} Hz",
    )
    _hold(
        rate_hz // 20 <= marker.samples <= 60 * rate_hz,
        f"the marker's samples are {marker.samples}",
    )


def check_file(file: StimulusFile, *, marker_samples: int, played_samples: int) -> None:
    """Refuse places that lie outside the file, or out of order.

    ``played_samples`` is the length of a sweep; bursts have lengths of their own.

    Raises
    ------
    ValueError
        A place cannot be.
    """
    first, last = file.quiet_samples
    after_marker = file.start_marker_sample + marker_samples
    _hold(file.start_marker_sample >= 0, "start_marker_sample is below 0")
    _hold(after_marker <= first < last, f"quiet_samples are {list(file.quiet_samples)}")
    _hold(file.end_marker_sample + marker_samples <= file.samples, "the end marker lies outside")
    ends = last
    for rung in file.rungs:
        _hold(ends <= rung.start_sample, f"a rung's start_sample is {rung.start_sample}")
        _hold(rung.drive_dbfs <= 0.0, f"drive_dbfs is {rung.drive_dbfs}")
        _hold(rung.role in ("rung", "return"), f"role is {rung.role!r}")
        ends = rung.start_sample + played_samples
    for burst in file.bursts:
        _hold(last <= burst.start_sample, f"a burst's start_sample is {burst.start_sample}")
        _hold(burst.level_dbfs <= 0.0, f"level_dbfs is {burst.level_dbfs}")
        _hold(burst.frequency_hz > 0.0, f"frequency_hz is {burst.frequency_hz}")
        _hold(burst.direction in ("up", "down"), f"direction is {burst.direction!r}")
        _hold(burst.samples > 0, f"a burst's samples are {burst.samples}")
        ends = max(ends, burst.start_sample + burst.samples)
    _hold(ends <= file.end_marker_sample, "the end marker stands before the end of what is played")
    _hold(not file.rungs or file.rungs[0].repeat == 0, "the first rung's repeat is not 0")


def _hold(true: bool, problem: str) -> None:
    if not true:
        raise ValueError(problem)
