"""The highest clean levels as a table of the page, and as CSV."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from distsweep.report.clean_level.levels import EXACT_DB, limit_words, shown
from distsweep.report.content import Cell, Table
from distsweep.report.csv_text import as_csv, as_text
from distsweep.results import CleanLevel, Take
from distsweep.words import wording

COLUMNS = (
    "thd_percent", "compression_db", "frequency_hz", "level_db", "low_db", "high_db",
    "drive_dbfs", "drive_low_dbfs", "drive_high_dbfs", "state", "limited_by",
)  # fmt: skip
_NUMBERS = COLUMNS[2:9]

WIDE_DB = 6.0
"""A level whose interval is wider than this is written by its ends alone (chosen: its middle would
be quoted, which is known no better than a rung's step)."""


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


def clean_level_cells(take: Take, _name: str) -> Table:
    """Return the highest clean levels by thirds of an octave or by tones, one column a limit."""
    found = shown(take)
    places = "Tone" if take.staircase else "Third of an octave"
    unit = wording.level_unit(take)
    columns = [places, *(limit_words(clean) for clean in found)]
    rows = [
        [Cell(wording.frequency(float(f))), *(_cell(clean, i) for clean in found)]
        for i, f in enumerate(found[0].frequency_hz)
    ]
    return Table(
        f"Highest clean level, {unit}, with its 95 % interval, and below it the drive. “≈”: known"
        " to 1.5 dB; “75 to 81”: between two levels played, or known no closer; “≥”: the limit was"
        " not reached; “<”: already past it at this level; a dash: noise hides it, or louder levels"
        " contradict quieter ones. Above half the measured band's upper end no harmonic lies inside"
        " it: there compression alone counts.",
        columns,
        rows,
    )


def _cell(clean: CleanLevel, i: int) -> Cell:
    level = _span(clean.state[i], clean.level_db[i], clean.low_db[i], clean.high_db[i])
    if clean.state[i] == "reached" and np.isfinite(clean.low_db[i] + clean.high_db[i]):
        ends = clean.level_db[i], clean.low_db[i], clean.high_db[i]
        level = wording.give_or_take(*(float(end) for end in ends))
        if ends[2] - ends[1] > WIDE_DB:
            level = f"{wording.signed(ends[1], 0)} to {wording.signed(ends[2], 0)}"
    drive = _span(
        clean.state[i], clean.drive_dbfs[i], clean.drive_low_dbfs[i], clean.drive_high_dbfs[i]
    )
    if level is None or drive is None:
        return Cell("contradicted" if clean.state[i] == "contradicted" else "—", pale=True)
    by = {"thd": ", THD", "compression": ", compression"}.get(clean.limited_by[i], "")
    return Cell(level, below=wording.with_unit(drive, f"dBFS{by}"))


def _span(state: str, at: float, low: float, high: float) -> str | None:
    """Write a value, what it lies between, or the end that is known; None where none is."""
    if state == "reached" and np.isfinite(at):
        return wording.signed(at) if high - low <= EXACT_DB else f"≈ {wording.signed(at, 0)}"
    if state in ("bracketed", "unknown") and np.isfinite(low) and np.isfinite(high):
        return f"{wording.signed(low)} to {wording.signed(high)}"
    if state == "not reached" and np.isfinite(at):
        return f"≥ {wording.signed(low if np.isfinite(low) else at)}"
    if state == "below" and np.isfinite(high):
        return f"< {wording.signed(high)}"
    return None
