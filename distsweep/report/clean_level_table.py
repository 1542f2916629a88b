"""CSV of the highest clean levels, in the manner of `distsweep.report.tables`."""

from __future__ import annotations

from collections.abc import Sequence

from distsweep.report.compression_tables import as_csv, as_text
from distsweep.results import CleanLevel

COLUMNS = (
    "thd_percent",
    "compression_db",
    "frequency_hz",
    "level_db",
    "low_db",
    "high_db",
    "drive_dbfs",
    "drive_low_dbfs",
    "drive_high_dbfs",
    "state",
    "limited_by",
)
_NUMBERS = COLUMNS[2:9]


def clean_level_table(found: Sequence[CleanLevel]) -> str:
    """Text of the CSV: a row a limit and frequency; see `distsweep.results.CleanLevel`."""
    lines: list[list[str]] = [list(COLUMNS)]
    for clean in found:
        limits = [as_text(clean.thd_percent), as_text(clean.compression_db)]
        columns = [getattr(clean, name) for name in _NUMBERS]
        for i in range(len(clean.frequency_hz)):
            numbers = [as_text(column[i]) for column in columns]
            lines.append([*limits, *numbers, clean.state[i], clean.limited_by[i]])
    return as_csv(lines)
