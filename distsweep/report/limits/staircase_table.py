"""CSV of a staircase: a row a tone and level."""

from __future__ import annotations

from distsweep.report.csv_text import as_csv, as_text
from distsweep.results import Take

STAIRCASE_COLUMNS = (
    "frequency_hz", "drive_dbfs", "level_db", "level_floor_db", "level_reliable",
    "gain_change_db", "falling_level_db", "thd_db", "thd_percent", "thd_floor_db", "thd_reliable",
    "waveform_crest_db", "residual_db", "residual_crest_db", "clipped",
)  # fmt: skip


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
