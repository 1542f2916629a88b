"""CSV of a staircase: a row a tone and level."""

from __future__ import annotations

import numpy as np

from distsweep.report.csv_text import as_csv, as_text, percent_or_nothing
from distsweep.results import Staircase, Take
from distsweep.units import FloatArray

STAIRCASE_COLUMNS = (
    "frequency_hz", "drive_dbfs", "level_db", "level_low_db", "level_high_db", "level_floor_db",
    "level_reliable", "gain_change_db", "gain_change_low_db", "gain_change_high_db",
    "falling_level_db", "thd_db", "thd_low_db", "thd_high_db", "thd_percent", "thd_low_percent",
    "thd_high_percent", "thd_floor_db", "thd_reliable", "waveform_crest_db", "residual_db",
    "residual_crest_db", "clipped",
)  # fmt: skip
"""Columns of every table, in order: go by their names, as new ones are added.

``…_low…`` and ``…_high…`` are the ends of the value's 95 % interval, empty where there is none
(results of earlier versions). Where only the low end is empty the value is at most the high end.
The gain change of the quietest reliable level is 0 exactly.
"""

HARMONIC_COLUMNS = ("db", "low_db", "high_db")
"""Endings of each harmonic's columns, re the fundamental: ``h2_db``, ``h2_low_db`` …"""


def staircase_table(take: Take) -> str:
    """Text of a staircase's CSV: a row a tone and level on the way up; levels in the take's unit.

    Each harmonic's `HARMONIC_COLUMNS` follow the `STAIRCASE_COLUMNS`.
    """
    orders = sorted({order for row in take.staircase for order in row.harmonics})
    endings = [f"h{order}_{ending}" for order in orders for ending in HARMONIC_COLUMNS]
    lines: list[list[str]] = [[*STAIRCASE_COLUMNS, *endings]]
    for row in take.staircase:
        columns = [_column(row, name) for name in STAIRCASE_COLUMNS]
        for order in orders:
            for curves in (row.harmonics, row.harmonics_low_db, row.harmonics_high_db):
                columns.append(_texts(curves.get(order, np.zeros(0)), len(row.drive_dbfs)))
        lines += [list(line) for line in zip(*columns, strict=True)]
    return as_csv(lines)


def _column(row: Staircase, name: str) -> list[str]:
    """A column of one tone; what is in percent is read off the level of the same name in dB."""
    count = len(row.drive_dbfs)
    if name == "frequency_hz":
        return [as_text(row.frequency_hz)] * count
    if name in ("thd_low_percent", "thd_high_percent"):
        end_db = getattr(row, name.replace("_percent", "_db"))
        return _texts(percent_or_nothing(end_db), count)
    return _texts(getattr(row, name), count)


def _texts(values: FloatArray, count: int) -> list[str]:
    """Write a column; nothing where an earlier version wrote none."""
    return [as_text(value) for value in values] if len(values) else [""] * count
