"""CSV of a staircase and of ceilings, in the manner of `distsweep.report.tables`."""

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
CEILING_COLUMNS = (
    "thd_percent",
    "compression_db",
    "frequency_hz",
    "level_db",
    "drive_dbfs",
    "reached",
    "limited_by",
)


def of_take(take: Take) -> list[tuple[str, str]]:
    """Return the tables of a take: the ending of each file's name, and its text."""
    found = []
    if take.staircase:
        found.append(("staircase", staircase_table(take)))
    if take.ceiling:
        found.append(("ceiling", ceiling_table(take)))
    return found


def staircase_table(take: Take) -> str:
    """Text of a staircase's CSV: a row a tone and level on the way up; levels in the take's unit.

    The harmonics' levels re the fundamental follow, a column an order.
    """
    orders = sorted({order for row in take.staircase for order in row.harmonics})
    lines: list[list[str]] = [[*STAIRCASE_COLUMNS, *(f"h{order}_db" for order in orders)]]
    for row in take.staircase:
        for i in range(len(row.drive_dbfs)):
            line = [_text(row.frequency_hz)]
            line += [_text(getattr(row, name)[i]) for name in STAIRCASE_COLUMNS[1:]]
            line += [_text(row.harmonics[n][i]) if n in row.harmonics else "" for n in orders]
            lines.append(line)
    return _csv(lines)


def ceiling_table(take: Take) -> str:
    """Text of the ceilings' CSV: a row a limit and frequency; "reached" false means at least."""
    lines: list[list[str]] = [list(CEILING_COLUMNS)]
    for ceiling in (*take.ceiling, *take.clean_ceiling):
        limits = [_text(ceiling.thd_percent), _text(ceiling.compression_db)]
        for i, frequency_hz in enumerate(take.frequency_hz):
            values = (frequency_hz, ceiling.level_db[i], ceiling.drive_dbfs[i], ceiling.reached[i])
            lines.append([*limits, *map(_text, values), ceiling.limited_by[i]])
    return _csv(lines)


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    number = float(value)  # type: ignore[arg-type]
    return f"{number:.6g}" if math.isfinite(number) else ""


def _csv(lines: list[list[str]]) -> str:
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="\n").writerows(lines)
    return buffer.getvalue()
