"""Wide CSV tables of a staircase: tones down, drives across."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial

import numpy as np

from distsweep.analysis.noise.interval import is_reliable
from distsweep.report.wide_table import (
    PERCENT_DECIMALS,
    WideCurve,
    level_heading,
    wide_table,
)
from distsweep.results import SAME_DRIVE_DB, Staircase, Take
from distsweep.units import BoolArray, FloatArray
from distsweep.words.wording import level_unit

Parts = tuple[FloatArray, FloatArray, FloatArray, BoolArray]
"""Value, low end and high end of a tone at each of its drives, and where they are reliable."""

Quantity = Callable[[Staircase], Parts]


def wide_staircase_tables(take: Take) -> Iterator[tuple[str, str]]:
    """Yield the ending of each file's name, and its text: see `distsweep.report.wide_table`.

    Tones rise; a drive that a tone was not played at is empty there.
    """
    tones = sorted(take.staircase, key=lambda tone: tone.frequency_hz)
    f = np.array([tone.frequency_hz for tone in tones])
    thd = _curves(tones, _thd)
    percent = [curve.in_percent() for curve in thd]
    yield "thd-percent", wide_table(f, "THD %", percent, decimals=PERCENT_DECIMALS)
    yield "thd-db", wide_table(f, "THD dB", thd)
    levels = _curves(tones, _level)
    yield "fundamental-db", wide_table(f, f"Level {level_unit(take)}", levels)
    yield "gain-change-db", wide_table(f, "Gain change dB", _curves(tones, _gain_change))
    for order in sorted({order for tone in tones for order in tone.harmonics}):
        harmonics = _curves(tones, partial(_harmonic, order=order))
        yield f"h{order}-db", wide_table(f, f"H{order} dB", harmonics)


def _curves(tones: Sequence[Staircase], quantity: Quantity) -> list[WideCurve]:
    """Return a curve a drive, over the tones."""
    parts = [quantity(tone) for tone in tones]
    return [_curve(tones, parts, drive_dbfs) for drive_dbfs in _drives(tones)]


def _curve(tones: Sequence[Staircase], parts: Sequence[Parts], drive_dbfs: float) -> WideCurve:
    """Return one drive's values, NaN for a tone that was not played at it."""
    shape = (len(tones),)
    value, low, high = (np.full(shape, np.nan) for _ in range(3))
    reliable, clipped = (np.zeros(shape, dtype=bool) for _ in range(2))
    for number, (tone, given) in enumerate(zip(tones, parts, strict=True)):
        for at in np.flatnonzero(np.abs(tone.drive_dbfs - drive_dbfs) < SAME_DRIVE_DB):
            for curve, values in zip((value, low, high, reliable), given, strict=True):
                if values.size:
                    curve[number] = values[at]
            clipped[number] = tone.clipped[at]
    return WideCurve(level_heading(drive_dbfs), value, low, high, reliable, clipped)


def _drives(tones: Sequence[Staircase]) -> list[float]:
    """Return every drive that a tone was played at, rising, those that are the same once."""
    drives: list[float] = []
    for drive_dbfs in sorted(float(drive) for tone in tones for drive in tone.drive_dbfs):
        if not drives or drive_dbfs - drives[-1] >= SAME_DRIVE_DB:
            drives.append(drive_dbfs)
    return drives


def _thd(tone: Staircase) -> Parts:
    return tone.thd_db, tone.thd_low_db, tone.thd_high_db, tone.thd_reliable


def _level(tone: Staircase) -> Parts:
    return tone.level_db, tone.level_low_db, tone.level_high_db, tone.level_reliable


def _gain_change(tone: Staircase) -> Parts:
    value, low, high = tone.gain_change_db, tone.gain_change_low_db, tone.gain_change_high_db
    narrow = is_reliable(low, high) if high.size else np.ones(value.shape, dtype=bool)
    return value, low, high, np.asarray(np.isfinite(value) & narrow, dtype=bool)


def _harmonic(tone: Staircase, order: int) -> Parts:
    """Return one harmonic; it is reliable where its interval is narrow and nothing clipped."""
    nothing = np.zeros(0)
    each = tone.harmonics, tone.harmonics_low_db, tone.harmonics_high_db
    value, low, high = (parts.get(order, nothing) for parts in each)
    if not high.size:
        return value, low, high, np.zeros(value.shape, dtype=bool)
    return value, low, high, np.asarray(is_reliable(low, high) & ~tone.clipped, dtype=bool)
