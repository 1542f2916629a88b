"""CSV of a staircase, in the manner of `distsweep.report.tables`."""

from __future__ import annotations

import csv
import io
import math

import numpy as np

from distsweep.results import Take

STAIRCASE_COLUMNS = (
    "frequency_hz",
    "drive_dbfs",
    "level_db",
    "level_floor_db",
    "level_reliable",
    "gain_change_db",
    "falling_level_db",
    "thd_db",
    "thd_percent",
    "thd_floor_db",
    "thd_reliable",
    "waveform_crest_db",
    "residual_db",
    "residual_crest_db",
    "clipped",
)


def of_take(take: Take) -> list[tuple[str, str]]:
    """Return the tables of a take: the ending of each file's name, and its text."""
    found = []
    if take.staircase:
        found.append(("staircase", staircase_table(take)))
    if take.clean_level:
        from distsweep.report.clean_level_table import clean_level_table

        found.append(("clean-level", clean_level_table(take.clean_level)))
        if take.clean_level_third_octave:
            thirds = clean_level_table(take.clean_level_third_octave)
            found.append(("clean-level-third-octave", thirds))
    return found


def staircase_table(take: Take) -> str:
    """Text of a staircase's CSV: a row a tone and level on the way up; levels in the take's unit.

    The harmonics' levels re the fundamental follow, a column an order.
    """
    orders = sorted({order for row in take.staircase for order in row.harmonics})
    lines: list[list[str]] = [[*STAIRCASE_COLUMNS, *(f"h{order}_db" for order in orders)]]
    for row in take.staircase:
        for i in range(len(row.drive_dbfs)):
            line = [as_text(row.frequency_hz)]
            line += [as_text(getattr(row, name)[i]) for name in STAIRCASE_COLUMNS[1:]]
            line += [as_text(row.harmonics[n][i]) if n in row.harmonics else "" for n in orders]
            lines.append(line)
    return as_csv(lines)


def as_text(value: object) -> str:
    """Return a number as the tables write it; nothing for what does not exist."""
    if value is None:
        return ""
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    number = float(value)  # type: ignore[arg-type]
    return f"{number:.6g}" if math.isfinite(number) else ""


def as_csv(lines: list[list[str]]) -> str:
    """Return rows of cells as the text of a CSV file."""
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="\n").writerows(lines)
    return buffer.getvalue()
