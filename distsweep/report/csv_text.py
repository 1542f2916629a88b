"""Cells and rows as the text of a CSV file."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from distsweep.units import FloatArray, db_to_percent
from distsweep.whole_files import write_whole_text

NUMBER = re.compile(r"-?\d+\.\d+(?:e[-+]\d+)?")
"""A cell that holds a number with a decimal point."""

DECIMAL_POINT = re.compile(r"(?<=\d)\.(?=\d+(?:e[-+]\d+)?[;\n])")

NEEDS_CELLS = re.compile(r"[\";]|[^\d\n,.-][^,\n]*\.|\.\d*\.")
"""Found in rows with cells that only a reader of CSV tells apart: quoted, with semicolons, or texts
with points in them."""

LEVEL_IN_HEADING = re.compile(r"(?<=\d)\.(?=\d+ dB)")


@dataclass(frozen=True)
class Column:
    """A column of numbers, one a row, NaN where there is none, and how many decimals they get."""

    heading: str
    values: FloatArray
    decimals: int


def as_text(value: object) -> str:
    """Return a number as the tables write it; nothing for what does not exist."""
    if value is None:
        return ""
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    number = float(value)  # type: ignore[arg-type]
    return f"{number:.6g}" if math.isfinite(number) else ""


def percent_or_nothing(level_db: FloatArray) -> FloatArray:
    """Return levels in percent; NaN for −inf, so that nothing stays nothing."""
    return np.asarray(db_to_percent(np.where(np.isfinite(level_db), level_db, np.nan)))


def as_csv(lines: Iterable[Sequence[str]]) -> str:
    """Return rows of cells as the text of a CSV file.

    A carriage return in a cell becomes a blank: Python's writer leaves it bare, and readers take it
    for a row's end.
    """
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="\n").writerows(lines)
    return buffer.getvalue().replace("\r", " ")


def as_wide_csv(columns: Sequence[Column]) -> str:
    """Return columns of numbers, all of one length, as the text of a CSV file.

    A row is formatted at once: of tens of thousands of numbers that takes half the time.
    """
    numbers = np.column_stack([column.values for column in columns])
    rows = np.where(np.isfinite(numbers), numbers, np.nan).tolist()
    pattern = ",".join(f"%.{column.decimals}f" for column in columns) + "\n"
    text = "".join([pattern % tuple(row) for row in rows]).replace("nan", "")
    return as_csv([[column.heading for column in columns]]) + text


def with_decimal_comma(text: str) -> str:
    """Return the text of a CSV file with a decimal comma, and semicolons between cells.

    Cells that are numbers change, and levels in headings; other words stay as they are.
    """
    head, _, body = text.partition("\n")
    (heading,) = csv.reader([head])
    lines = [[LEVEL_IN_HEADING.sub(",", cell) for cell in heading]]
    if not NEEDS_CELLS.search(body):  # long tables of numbers: a third of the time
        return _joined(lines) + DECIMAL_POINT.sub(",", body.replace(",", ";"))
    lines += [
        [cell.replace(".", ",") if NUMBER.fullmatch(cell) else cell for cell in row]
        for row in csv.reader(io.StringIO(body))
    ]
    return _joined(lines)


def _joined(lines: Iterable[Sequence[str]]) -> str:
    buffer = io.StringIO()
    csv.writer(buffer, delimiter=";", lineterminator="\n").writerows(lines)
    return buffer.getvalue()


def write_csv_files(
    tables: Iterable[tuple[str, str]], folder: Path, *, decimal_comma: bool = False
) -> list[Path]:
    """Write texts of CSV files by their names without the ending, and return their paths.

    Raises
    ------
    InputError
        A file cannot be written.
    """
    written = []
    for name, text in tables:
        path = Path(folder) / f"{name}.csv"
        write_whole_text(path, with_decimal_comma(text) if decimal_comma else text)
        written.append(path)
    return written
