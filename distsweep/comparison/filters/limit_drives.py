"""The limits of a ladder, as drives at the loudspeaker's input at each frequency."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from distsweep.comparison.filters.gain_course import GainCourse
from distsweep.comparison.filters.record import Curve, Limit
from distsweep.results import TURNED_DOWN, CleanLevel, Limiter, Take
from distsweep.units import FloatArray

GAIN_CHANGES_DB = (-0.5, -1.0, -3.0)
"""Gain changes whose drives are stated (contract); the first is the onset of compression."""

CLIPPING = "clipping"


def limits_of(take: Take, course: GainCourse, shape_db: FloatArray) -> list[Limit]:
    """Return every limit of a take: limiters in their bands, gain changes, highest clean levels.

    Clean levels by compression alone are left out: they are gain changes. ``shape_db`` is how much
    lower than its rung's the sweep's drive is, ``(F,)``: what is stated of rungs is a sine's that
    much lower.
    """
    found = [
        _limiter(take.frequency_hz, one, course)
        for one in take.limiters
        if one.kind in (*TURNED_DOWN, CLIPPING)
    ]
    found += _gain_changes(take, course)
    found += [_clean(one) for one in take.clean_level if np.isfinite(one.thd_percent)]
    return [replace(one, drive_dbfs=_moved(one.drive_dbfs, shape_db)) for one in found]


def _moved(curve: Curve, by_db: FloatArray) -> Curve:
    return Curve(curve.values + by_db, curve.low + by_db, curve.high + by_db)


def _limiter(frequency_hz: FloatArray, limiter: Limiter, course: GainCourse) -> Limit:
    """Return the threshold in a limiter's band; NaN outside."""
    band = limiter.band_hz or [float(frequency_hz[0]), float(frequency_hz[-1])]
    inside = (frequency_hz >= band[0]) & (frequency_hz <= band[1])
    low, high = (np.nan if end is None else end for end in limiter.threshold_bounds_dbfs)
    value = limiter.threshold_dbfs if limiter.threshold_dbfs is not None else (low + high) / 2.0
    stated = [np.where(inside, one, np.nan) for one in (value, low, high)]
    if limiter.kind in TURNED_DOWN:
        own = course.threshold_dbfs
        stated = [
            np.where(inside & np.isfinite(part), part, one)
            for one, part in zip(stated, (own.values, own.low, own.high), strict=True)
        ]
    name = limiter.kind if limiter.kind == CLIPPING else f"{limiter.kind}'s threshold"
    if limiter.kind == "limiting":
        name = "threshold of what limits"
    return Limit(f"{name}, {band[0]:.0f} to {band[1]:.0f} Hz", limiter.kind, Curve(*stated),
                 band_hz=list(band))  # fmt: skip


def _gain_changes(take: Take, course: GainCourse) -> Iterator[Limit]:
    """Yield where the gain has changed by as much as is stated; "at least" where it never has."""
    reference = None if take.compression is None else take.compression.reference_drive_dbfs
    if reference is None:
        return
    drives = course.drives_dbfs
    from_here = drives >= reference - 1e-6
    if np.sum(from_here) < 2:
        return
    rows = np.flatnonzero(from_here)
    first = course.gain.values[rows[0]]
    for limit_db in GAIN_CHANGES_DB:
        value, low, high = (
            first_fall(drives[rows], part[rows] - first, limit_db)
            for part in (course.gain.values, course.gain.low, course.gain.high)
        )
        # Not reached: at least the highest played, if the gain is known there.
        known = np.isfinite(course.gain.values[-1] - first)
        never = known & np.isnan(value)
        value = np.where(never, drives[-1], value)
        low = np.where(known & np.isnan(low), drives[-1], low)
        high = np.where(known & np.isnan(high), np.inf, high)
        name = f"gain change of {limit_db:g} dB".replace("-", "−")
        yield Limit(name, "gain change", Curve(value, low, high), gain_change_db=limit_db)


def first_fall(drives: FloatArray, change_db: FloatArray, limit_db: float) -> FloatArray:
    """Return the drive at which a change first falls to a limit, ``(D, F)`` to ``(F,)``.

    NaN where it never does.
    """
    with np.errstate(invalid="ignore"):
        passed = change_db <= limit_db
    at = np.argmax(passed, axis=0)
    columns = np.arange(change_db.shape[1])
    before, after = change_db[np.maximum(at - 1, 0), columns], change_db[at, columns]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(before > after, (before - limit_db) / (before - after), 1.0)
    lower = drives[np.maximum(at - 1, 0)]
    crossing = lower + np.clip(share, 0.0, 1.0) * (drives[at] - lower)
    return np.where(passed.any(axis=0), np.where(at == 0, drives[0], crossing), np.nan)


def _clean(one: CleanLevel) -> Limit:
    """Return a highest clean level by the drive that belongs to it."""
    state = np.array(one.state)
    value, low, high = one.drive_dbfs, one.drive_low_dbfs, one.drive_high_dbfs
    least, below = state == "not reached", state == "below"
    stated = (state == "reached") | (state == "bracketed") | least
    limits = [f"{one.thd_percent:g} % THD"]
    if one.compression_db is not None:
        limits.append(f"{one.compression_db:g} dB compression")
    return Limit(
        f"clean level, {' or '.join(limits)}",
        "clean level",
        Curve(
            np.where(stated, value, np.nan),
            np.where(least, value, np.where(below, -np.inf, np.where(stated, low, np.nan))),
            np.where(least, np.inf, np.where(stated | below, high, np.nan)),
        ),
        thd_percent=one.thd_percent,
        compression_db=one.compression_db,
    )
