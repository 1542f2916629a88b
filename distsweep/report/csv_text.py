"""Cells and rows as the text of a CSV file."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence

import numpy as np

from distsweep.units import FloatArray, db_to_percent


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
    """Return rows of cells as the text of a CSV file."""
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="\n").writerows(lines)
    return buffer.getvalue()
