"""Tables of a comparison for a spreadsheet or a script, as CSV files: UTF-8, a header row.

``findings.csv`` holds what differs beyond doubt, ``differences-thirds.csv`` every difference over
thirds of an octave (a row a source, quantity, level and frequency), ``resonances.csv``,
``limits.csv``, ``background.csv`` and ``sources.csv`` what stands side by side. Of each position
and quantity a wide table, frequency down, sources and levels across, holds every difference at
single frequencies: ``POSITION-QUANTITY-difference-db.csv``, see `distsweep.report.wide_table`. With
ten sources or more ``ranks.csv`` says who stands where.

A cell is empty where the number does not exist: a difference without a low end is "at most" its
high end, one without a high end "at least" its low end.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np

from distsweep.analysis.noise.interval import is_reliable
from distsweep.comparison.ranks import ranks
from distsweep.comparison.record import Comparison, Difference
from distsweep.report.background.csv_table import background_table
from distsweep.report.comparison.compared import Compared, level_of
from distsweep.report.comparison.difference_tables import thirds_of
from distsweep.report.comparison.ranks_table import COLUMNS as RANK_COLUMNS
from distsweep.report.comparison.ranks_table import rank_rows
from distsweep.report.csv_text import as_csv, as_text, write_csv_files
from distsweep.report.limits.csv_tables import limits_table
from distsweep.report.names import unique_names
from distsweep.report.wide_table import WideCurve, wide_table
from distsweep.results import Results

DIFFERENCE_COLUMNS = (
    "source", "position", "quantity", "equal", "drive_dbfs", "spl_db", "frequency_hz",
    "difference_db", "low_db", "high_db",
)  # fmt: skip
FINDING_COLUMNS = (
    "sentence", "source", "quantity", "position", "low_hz", "high_hz", "difference_db", "low_db",
    "high_db", "change_percent", "drives_dbfs", "deviations",
)  # fmt: skip
RESONANCE_COLUMNS = (
    "source", "state", "kind", "frequency_hz", "other_hz", "q", "other_q", "change_percent",
    "low_percent", "high_percent", "at_one_temperature", "deviations",
)  # fmt: skip


def write_comparison_tables(
    comparison: Comparison,
    sources: Sequence[Results],
    folder: Path,
    *,
    decimal_comma: bool = False,
) -> list[Path]:
    """Write what differs as CSV files, and return their paths.

    Parameters
    ----------
    comparison : what differs.
    sources : the results compared, in the order of ``comparison.sources``.
    folder : to write into; it is made when missing, and other files in it stay.
    decimal_comma : a comma before decimals and semicolons between cells.

    Raises
    ------
    InputError
        A file cannot be written.
    """
    return write_csv_files(
        all_tables(Compared(comparison, list(sources))), folder, decimal_comma=decimal_comma
    )


def all_tables(compared: Compared) -> Iterator[tuple[str, str]]:
    """Yield each table: its file's name without the ending, and its text."""
    comparison = compared.comparison
    names = [source.name for source in comparison.sources]
    yield from comparison_tables(compared)
    if compared.is_many and compared.positions:
        scores = ranks(compared.sources, compared.positions[0])
        yield "ranks", as_csv([RANK_COLUMNS, *rank_rows(names, scores)])
    if comparison.resonances:
        yield "resonances", as_csv([RESONANCE_COLUMNS, *_resonances(comparison)])
    for name, table in (("limits", limits_table), ("background", background_table)):
        if (text := _joined(names, compared.sources, table)) is not None:
            yield name, text


def comparison_tables(compared: Compared) -> Iterator[tuple[str, str]]:
    """Yield the tables of sources, findings and differences."""
    comparison = compared.comparison
    yield "sources", as_csv(
        [("number", "name", "device", "place", "date", "version", "created"),
         *([str(number), one.name, *(str(part or "") for part in (
             one.device, one.place, one.date, one.version, one.created))]
           for number, one in enumerate(comparison.sources, start=1))]
    )  # fmt: skip
    yield "findings", as_csv([FINDING_COLUMNS, *_findings(comparison)])
    if comparison.differences:
        yield "differences-thirds", as_csv([DIFFERENCE_COLUMNS, *_thirds(compared)])
    yield from _wide(compared)


def _findings(comparison: Comparison) -> Iterator[list[str]]:
    for one in comparison.findings:
        numbers = (one.low_hz, one.high_hz, one.difference_db, one.low_db, one.high_db)
        yield [
            one.sentence, comparison.sources[one.source].name, one.quantity, one.position or "",
            *map(as_text, numbers), as_text(one.change_percent),
            " ".join(map(as_text, one.drives_dbfs)), as_text(one.deviations),
        ]  # fmt: skip


def _thirds(compared: Compared) -> Iterator[list[str]]:
    for fine in compared.comparison.differences:
        one = thirds_of(compared, fine)
        head = [
            compared.comparison.sources[one.source].name, one.position, one.quantity, one.aligned,
            as_text(one.drive_dbfs), as_text(one.spl_db),
        ]  # fmt: skip
        for row in zip(one.frequency_hz, one.difference_db, one.low_db, one.high_db, strict=True):
            if any(np.isfinite(end) for end in row[1:]):
                yield [*head, *map(as_text, row)]


def _wide(compared: Compared) -> Iterator[tuple[str, str]]:
    """Yield a table of single frequencies for each position, quantity and grid."""
    groups: dict[tuple[str, str, bytes], list[Difference]] = {}
    for one in compared.comparison.differences:
        key = (one.position, one.quantity, one.frequency_hz.tobytes())
        groups.setdefault(key, []).append(one)
    names = unique_names(f"{position} {quantity}" for position, quantity, _ in groups)
    for name, found in zip(names, groups.values(), strict=True):
        curves = [_curve(compared, one) for one in found]
        yield (
            f"{name}-difference-db",
            wide_table(found[0].frequency_hz, f"{found[0].quantity} difference dB", curves),
        )


def _curve(compared: Compared, one: Difference) -> WideCurve:
    names = [source.name for source in compared.comparison.sources]
    level = level_of(one)
    unit = "dBFS" if one.drive_dbfs is not None else "dB SPL"
    at = "equal limits" if level is None else f"{level:.6g} {unit}"
    known = np.isfinite(one.difference_db)
    has_ends = bool(np.isfinite(one.high_db).any())
    reliable = is_reliable(one.low_db, one.high_db) & known if has_ends else known
    return WideCurve(
        f"{at}, {names[one.source]} less {names[0]}", one.difference_db, one.low_db, one.high_db,
        reliable, np.zeros(known.shape, dtype=bool),
    )  # fmt: skip


def _resonances(comparison: Comparison) -> Iterator[list[str]]:
    for one in comparison.resonances:
        numbers = (getattr(one, name) for name in RESONANCE_COLUMNS[3:])
        source = comparison.sources[one.source].name
        yield [source, one.state, one.kind, *map(as_text, numbers)]


def _joined(
    names: Sequence[str],
    sources: Sequence[Results],
    table: Callable[[Results], str | None],
) -> str | None:
    """Return the tables of all sources below each other, the source's name in front of each row."""
    rows: list[list[str]] = []
    for name, results in zip(names, sources, strict=True):
        text = table(results)
        if text is None:
            continue
        head, *body = csv.reader(io.StringIO(text))
        rows = rows or [["source", *head]]
        rows += [[name, *row] for row in body]
    return as_csv(rows) if rows else None
