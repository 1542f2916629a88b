"""Wide CSV tables of a ladder: THD, level, gain change and each harmonic, levels across."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from distsweep.report.reliability import (
    fundamental_standing,
    gain_change_parts,
    gain_change_reliable,
)
from distsweep.report.wide_table import PERCENT_DECIMALS, WideCurve, level_heading, wide_table
from distsweep.results import Take
from distsweep.units import BoolArray, FloatArray
from distsweep.words.wording import level_unit


def wide_tables(take: Take) -> Iterator[tuple[str, str]]:
    """Yield the ending of each file's name, and its text: see `distsweep.report.wide_table`."""
    f, indices = take.frequency_hz, range(len(take.rungs))
    thd = [_thd(take, index) for index in indices]
    percent = [curve.in_percent() for curve in thd]
    yield "thd-percent", wide_table(f, "THD %", percent, decimals=PERCENT_DECIMALS)
    yield "thd-db", wide_table(f, "THD dB", thd)
    levels = [_fundamental(take, index) for index in indices]
    yield "fundamental-db", wide_table(f, f"Level {level_unit(take)}", levels)
    if take.compression is not None:
        changes = [_gain_change(take, index) for index in indices]
        yield "gain-change-db", wide_table(f, "Gain change dB", changes)
    for order in sorted({order for rung in take.rungs for order in rung.harmonics}):
        harmonics = [_harmonic(take, index, order) for index in indices]
        yield f"h{order}-db", wide_table(f, f"H{order} dB", harmonics)


def _curve(
    take: Take, index: int, parts: tuple[FloatArray, FloatArray, FloatArray], reliable: BoolArray
) -> WideCurve:
    """Return a curve of one rung; which of its frequencies clipped is not known."""
    rung = take.rungs[index]
    heading = level_heading(rung.drive_dbfs, rung.spl_db, clipped=rung.clipped)
    clipped = np.full(take.frequency_hz.shape, rung.clipped)
    return WideCurve(heading, *parts, reliable, clipped)


def _thd(take: Take, index: int) -> WideCurve:
    rung = take.rungs[index]
    parts = rung.thd_db, rung.thd_low_db, rung.thd_high_db
    return _curve(take, index, parts, rung.thd_reliable)


def _fundamental(take: Take, index: int) -> WideCurve:
    rung = take.rungs[index]
    parts = rung.fundamental_db, rung.fundamental_low_db, rung.fundamental_high_db
    return _curve(take, index, parts, fundamental_standing(take, index).reliable)


def _gain_change(take: Take, index: int) -> WideCurve:
    return _curve(take, index, gain_change_parts(take, index), gain_change_reliable(take, index))


def _harmonic(take: Take, index: int, order: int) -> WideCurve:
    curve = take.rungs[index].harmonics.get(order)
    if curve is None:
        nothing = np.zeros(0)
        none = np.zeros(take.frequency_hz.shape, dtype=bool)
        return _curve(take, index, (nothing, nothing, nothing), none)
    parts = curve.level_db, curve.low_db, curve.high_db
    return _curve(take, index, parts, curve.reliable)
