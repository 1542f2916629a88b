"""What the reader of results makes sure of: arrays fit each other, and levels can be levels."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any

import numpy as np

from distsweep.results.at_spl import BAND, EACH_FREQUENCY, AtSpl
from distsweep.results.hiss import Hiss
from distsweep.results.impulse import ImpulseResponse
from distsweep.results.ladder import (
    Background,
    HarmonicCurve,
    Rung,
    Smoothed,
    SmoothedLevel,
    ThdThirdOctave,
)
from distsweep.results.limits import CleanLevel
from distsweep.results.record import Record
from distsweep.results.resonance import DecayMap
from distsweep.results.staircase import BurstTrace, ToneLevels
from distsweep.results.take import Results, Take

MAY_LACK = ("low_db", "high_db", "room_db", "threshold_db", "interface_half_width_db")
"""Ends of intervals are empty in files that were written without them; so are the room's noise and
the threshold of hearing where hiss is not held against them, and what the interface leaves where
no loop-back was recorded."""

AXES: dict[type[Record], str] = {
    CleanLevel: "frequency_hz",
    Background: "third_octave_hz",
    Hiss: "third_octave_hz",
    ThdThirdOctave: "frequency_hz",
    ToneLevels: "drive_dbfs",
    BurstTrace: "time_s",
}
"""Records all of whose arrays, and lists of texts, are as long as one of them."""


LARGEST_DB = 1000.0
"""No level is further from 0 dB (chosen: double precision reaches 6000 dB, a recording's 24 bits
144)."""


LARGEST_M = 1e6
"""Nothing is heard from farther away (chosen: a level 146 dB above another, from a metre on)."""

LEAST_RATE_HZ, LARGEST_RATE_HZ, LONGEST_S = 100.0, 1e7, 100.0
"""What an impulse response's rate and window can be (chosen: far beyond any recording's)."""

ROUNDING = 1e-3
"""By so much may the largest sample, 1 by definition, be off in a file (chosen: ten times what the
file's decimals round)."""


def check_consistent(record: Any) -> None:
    """Refuse records, and those they hold, with arrays that do not belong together.

    Raises
    ------
    ValueError
        One has another length than the array that it is plotted against, or holds what no level
        can be.
    """
    for one in _records(record):
        for name, value in vars(one).items():
            _check_levels(name, value)
        _check_pairs(one)
        for kind, axis in AXES.items():
            if isinstance(one, kind):
                _check_all(one, len(getattr(one, axis)))
        if isinstance(one, Smoothed):
            for averages in (one.fundamental, one.thd, *one.harmonics.values()):
                _check_required(averages, len(one.frequency_hz))
        elif isinstance(one, Results):
            _check_placements(one)
        elif isinstance(one, Take):
            _check_take(one)
        elif isinstance(one, ImpulseResponse):
            _check_impulse(one)
        elif isinstance(one, Hiss):
            _check_distances(one)
        elif isinstance(one, DecayMap):
            _check("level_db", one.level_db, len(one.frequency_hz))
            _check("ringing_s", one.ringing_s, len(one.frequency_hz))
            for row in one.level_db:
                _check("level_db", row, len(one.time_s))


def _check_take(take: Take) -> None:
    """Check that all that stands against a take's frequencies is as long as these."""
    count = len(take.frequency_hz)
    _check("level_db", take.level_db, len(take.third_octave_hz))
    for rung in take.rungs:
        _check_required(rung, count)
        for curve in rung.harmonics.values():
            _check_required(curve, count)
    for stated in take.at_spl:
        _check_stated(stated, count)


def _check_placements(results: Results) -> None:
    """Check that what is told of placements belongs to takes that are there."""
    for one in results.reproducibility:
        if not all(0 <= number < len(results.takes) for number in one.takes):
            raise ValueError(f"reproducibility at {one.position!r:.40} is of takes not there")
        if one.placements < 2:
            raise ValueError(f"reproducibility is of {one.placements} placements")
        for spread in one.spreads:
            for _, place in spread.curves():
                _check_all(place, len(spread.frequency_hz))


def _check_distances(hiss: Hiss) -> None:
    """Check that what is a distance can be one."""
    for name, value in vars(hiss).items():
        if name.endswith("_m") and value is not None and not 0.0 <= value <= LARGEST_M:
            raise ValueError(f"{name} is {value:g}, which is no distance")


def _check_impulse(impulse: ImpulseResponse) -> None:
    """Check that times can be given to an impulse response, and that it is one."""
    if not LEAST_RATE_HZ <= impulse.rate_hz <= LARGEST_RATE_HZ:
        raise ValueError(f"the rate of an impulse response is {impulse.rate_hz:g} Hz")
    if len(impulse.window_s) != 2 or not all(0.0 <= s <= LONGEST_S for s in impulse.window_s):
        raise ValueError("window_s is not two times from the direct sound")
    largest = np.abs(impulse.pressure)
    if np.ndim(largest) != 1 or not np.all(largest <= 1.0 + ROUNDING):  # NaN fails it
        raise ValueError("pressure is no list of numbers from −1 to 1")
    if not 0 <= impulse.samples_before < len(impulse.pressure):
        raise ValueError(f"samples_before is {impulse.samples_before}, beyond the pressure")


def _records(value: Any) -> Iterator[Any]:
    """Yield a record and all that it holds, however deep."""
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, list | tuple):
        for item in value:
            yield from _records(item)
    elif dataclasses.is_dataclass(value):
        yield value
        for field in dataclasses.fields(value):
            yield from _records(getattr(value, field.name))


def _check_levels(name: str, value: Any) -> None:
    """Refuse decibels that are finite and beyond ``LARGEST_DB``."""
    if isinstance(value, dict) and name.startswith("harmonics"):
        for levels_db in value.values():
            if isinstance(levels_db, np.ndarray):
                _check_levels(f"{name}_db", levels_db)
    elif name.endswith(("_db", "_dbfs", "_dba")):
        for levels_db in value if isinstance(value, list) else [value]:
            if isinstance(levels_db, np.ndarray | float):
                size = np.atleast_1d(np.abs(levels_db))
                if np.any((size > LARGEST_DB) & np.isfinite(size)):
                    raise ValueError(f"{name} holds {np.max(size[np.isfinite(size)]):g} dB")


def _check_all(record: Record, length: int) -> None:
    for name, value in vars(record).items():
        is_texts = isinstance(value, list) and all(isinstance(item, str) for item in value)
        if isinstance(value, np.ndarray) or (is_texts and isinstance(record, CleanLevel)):
            _check(name, value, length)
        elif isinstance(value, dict):
            for array in value.values():
                _check(name, array, length)


def _check_pairs(record: Record) -> None:
    """Check that an interval has both ends, or none."""
    for name, low in vars(record).items():
        high = getattr(record, name.removesuffix("low_db") + "high_db", None)
        if not (isinstance(low, np.ndarray) and isinstance(high, np.ndarray)):
            continue
        if name.endswith("low_db") and low.shape != high.shape:
            raise ValueError(f"{name} has {low.size} values beside {high.size} high ends")


def _check_required(record: Rung | HarmonicCurve | SmoothedLevel, length: int) -> None:
    """Check the arrays that a record cannot be without; others may be empty."""
    for field in dataclasses.fields(record):
        value = getattr(record, field.name)
        lacks_default = field.default is field.default_factory is dataclasses.MISSING
        if lacks_default and isinstance(value, np.ndarray) and len(value) != length:
            raise ValueError(f"{field.name} has {len(value)} values beside {length} others")


def _check_stated(stated: AtSpl, length: int) -> None:
    """Check that THD at a stated level stands on the take's grid, with both its ends."""
    if stated.meaning not in (BAND, EACH_FREQUENCY) or not np.isfinite(stated.spl_db):
        raise ValueError(f"at_spl holds {stated.spl_db!r:.40} dB SPL of {stated.meaning!r:.40}")
    for record in (stated, *stated.harmonics.values()):
        for name, value in vars(record).items():
            if isinstance(value, np.ndarray) and value.shape != (length,):
                raise ValueError(f"{name} at a stated level is not as long as frequency_hz")


def _check(name: str, array: Any, length: int) -> None:
    may_lack = name.endswith(MAY_LACK) and not len(array)
    if np.ndim(array) != 1 and isinstance(array, np.ndarray):
        raise ValueError(f"{name} is no list of numbers")
    if len(array) != length and not may_lack:
        raise ValueError(f"{name} has {len(array)} values beside {length} others")
