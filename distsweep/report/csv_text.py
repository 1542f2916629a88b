"""Cells and rows as the text of a CSV file."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence

import numpy as np


def as_text(value: object) -> str:
    """Return a number as the tables write it; nothing for what does not exist."""
    if value is None:
        return ""
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    number = float(value)  # type: ignore[arg-type]
    return f"{number:.6g}" if math.isfinite(number) else ""


def as_csv(lines: Iterable[Sequence[str]]) -> str:
    """Return rows of cells as the text of a CSV file."""
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="\n").writerows(lines)
    return buffer.getvalue()
