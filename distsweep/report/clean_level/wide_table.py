"""Wide CSV of the highest clean levels: thirds of an octave or tones down, limits across."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from distsweep.report.clean_level.levels import limit_words
from distsweep.report.csv_text import as_csv, as_text
from distsweep.results import CleanLevel

_BLOCKS = (
    ("Level {unit}", "level_db"),
    ("Level {unit}, low end,", "low_db"),
    ("Level {unit}, high end,", "high_db"),
    ("Drive dBFS", "drive_dbfs"),
)


def clean_levels_by_limit(found: Sequence[CleanLevel], unit: str) -> str:
    """Text of the CSV: levels, then the ends they lie between, drives, and states in words.

    A level and its drive stand where the limit was reached there and they are known; elsewhere the
    ends and the state say what is: see `distsweep.results.CleanLevel`. All have one grid.
    """
    limits = [limit_words(clean).replace("\N{NO-BREAK SPACE}", " ") for clean in found]
    headings, columns = ["Frequency Hz"], [[as_text(f) for f in found[0].frequency_hz]]
    for heading, name in _BLOCKS:
        for limit, clean in zip(limits, found, strict=True):
            values = getattr(clean, name)
            if name in ("level_db", "drive_dbfs"):
                reached = np.array([state == "reached" for state in clean.state], dtype=bool)
                values = np.where(reached, values, np.nan)
            headings.append(f"{heading.format(unit=unit)} at {limit}")
            columns.append([_level(value) for value in values])
    for limit, clean in zip(limits, found, strict=True):
        headings.append(f"State at {limit}")
        columns.append(list(clean.state))
    return as_csv([headings, *map(list, zip(*columns, strict=True))])


def _level(value: float) -> str:
    return f"{value:.2f}" if np.isfinite(value) else ""
