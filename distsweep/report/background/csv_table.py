"""CSV of the background: its level in each take, and each line of mains hum."""

from __future__ import annotations

from collections.abc import Iterator

from distsweep.report.csv_text import as_csv, as_text
from distsweep.results import Background, Results
from distsweep.words.wording import level_unit

COLUMNS = ("position", "stimulus", "what", "frequency_hz", "level_db", "unit")
"""Columns, in order. ``what`` is "level", "A-weighted level" or "hum", of which a row is a line."""


def background_table(results: Results) -> str | None:
    """Text of the CSV; None where no take holds a background."""
    lines = [
        [take.position, take.stimulus, *cells, level_unit(take)]
        for take in results.takes
        if take.background is not None
        for cells in _cells(take.background)
    ]
    return as_csv([COLUMNS, *lines]) if lines else None


def _cells(background: Background) -> Iterator[list[str]]:
    yield ["level", "", as_text(background.level_db)]
    yield ["A-weighted level", "", as_text(background.a_weighted_db)]
    for tone in background.hum:
        yield ["hum", as_text(tone.frequency_hz), as_text(tone.level_db)]
