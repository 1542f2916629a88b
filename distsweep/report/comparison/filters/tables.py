"""Tables of what filters cost, as CSV files: UTF-8, a header row.

``headroom.csv`` holds the headroom to each limit without and with each set of filters, a row a
frequency; ``limits.csv`` the drives that reach the limits; the others are those of a comparison
whose first source is the loudspeaker without filters (`distsweep.report.comparison.tables`).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from distsweep.comparison.filters.record import Curve, WithFilters
from distsweep.report.comparison.filters.predicted import predicted
from distsweep.report.comparison.tables import comparison_tables
from distsweep.report.csv_text import as_csv, as_text, write_csv_files
from distsweep.results import Results

HEADROOM_COLUMNS = (
    "position", "filters", "level_db", "unit", "limit", "frequency_hz",
    "without_db", "without_low_db", "without_high_db",
    "filtered_db", "filtered_low_db", "filtered_high_db",
)  # fmt: skip
LIMIT_COLUMNS = ("position", "limit", "kind", "frequency_hz", "drive_dbfs", "low_dbfs", "high_dbfs")


def write_filter_tables(
    found: WithFilters, results: Results, folder: Path, *, decimal_comma: bool = False
) -> list[Path]:
    """Write what filters cost as CSV files, and return their paths.

    Parameters
    ----------
    found : what `distsweep.comparison.filters.with_filters` returned.
    results : the results that it was made from.
    folder : to write into; it is made when missing, and other files in it stay.
    decimal_comma : a comma before decimals and semicolons between cells.

    Raises
    ------
    InputError
        A file cannot be written.
    """
    return write_csv_files(_tables(found, results), folder, decimal_comma=decimal_comma)


def _tables(found: WithFilters, results: Results) -> Iterator[tuple[str, str]]:
    yield from comparison_tables(predicted(found, results))
    yield "headroom", as_csv([HEADROOM_COLUMNS, *_headroom(found)])
    yield "limits", as_csv([LIMIT_COLUMNS, *_limits(found)])


def _headroom(found: WithFilters) -> Iterator[list[str]]:
    for take in found.takes:
        for one in take.filtered:
            for at in one.at_levels:
                for room in at.headroom:
                    head = [take.position, one.name, as_text(at.level_db), at.unit, room.limit]
                    curves = (room.without_db, room.filtered_db)
                    yield from _rows(head, take.frequency_hz.tolist(), *curves)


def _limits(found: WithFilters) -> Iterator[list[str]]:
    for take in found.takes:
        for limit in take.limits:
            head = [take.position, limit.name, limit.kind]
            yield from _rows(head, take.frequency_hz.tolist(), limit.drive_dbfs)


def _rows(head: list[str], frequency_hz: list[float], *curves: Curve) -> Iterator[list[str]]:
    """Yield a row for each frequency at which anything is known."""
    columns = [part for one in curves for part in (one.values, one.low, one.high)]
    known = np.any(np.isfinite(columns), axis=0)
    for index, f in enumerate(frequency_hz):
        if known[index]:
            yield [*head, as_text(f), *(as_text(column[index]) for column in columns)]
