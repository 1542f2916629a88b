"""Tables of THD and of harmonics at stated levels."""

from __future__ import annotations

import math

from distsweep.report.content import Cell, Table
from distsweep.report.stated_levels.levels import (
    Known,
    harmonic_parts,
    known_at,
    of_meaning,
    thd_parts,
)
from distsweep.report.stated_levels.words import level_name, percent
from distsweep.results import BAND, EACH_FREQUENCY, AtSpl, Take
from distsweep.words import wording

TABLE_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
"""Octaves of IEC 61260-1, nominal."""

ORDERS = (2, 3, 4, 5)
"""Harmonics that the page shows (chosen: higher ones are in the results)."""


def thd_table(take: Take) -> Table:
    """THD at octaves, a column for each level and meaning."""
    band, each = of_meaning(take, BAND), of_meaning(take, EACH_FREQUENCY)
    columns = [
        "Excitation frequency",
        *(f"{level_name(one.spl_db)} in the band" for one in band),
        *(f"{level_name(one.spl_db)} at this frequency" for one in each),
    ]
    rows = [
        [Cell(wording.frequency(f)), *(_cell(one, f) for one in (*band, *each))] for f in TABLE_HZ
    ]
    return Table(
        "THD at stated levels in percent, and below it the interval, at the grid point nearest to"
        " each frequency. “≤”: at most; a dash: not played there, or noise hides all.",
        columns,
        [row for row in rows if any(cell.text != "—" for cell in row[1:])],
    )


def harmonics_table(take: Take) -> Table | None:
    """Harmonics at the highest level stated in the level band; None where there are none."""
    stated = next(reversed(of_meaning(take, BAND)), None)
    if stated is None:
        return None
    orders = [order for order in ORDERS if order in stated.harmonics]
    rows = []
    for f in TABLE_HZ:
        parts = [known_at(stated.frequency_hz, harmonic_parts(stated, n), f) for n in orders]
        if any(part is not None for part in parts):
            rows.append([Cell(wording.frequency(f)), *map(_known_cell, parts)])
    if not rows:
        return None
    return Table(
        f"Harmonics at {level_name(stated.spl_db)} in the level band, in percent of the"
        " fundamental, and below it the interval.",
        ["Excitation frequency", *(f"H{order}" for order in orders)],
        rows,
    )


def _cell(stated: AtSpl, at_hz: float) -> Cell:
    return _known_cell(known_at(stated.frequency_hz, thd_parts(stated), at_hz))


def _known_cell(known: Known | None) -> Cell:
    if known is None:
        return Cell("—", pale=True)
    text = percent(known, about="≈ ", most="≤ ")
    if not math.isfinite(known.low_db):
        return Cell(text, pale=True)
    ends = wording.signed(known.low_db), wording.decibels(known.high_db)
    return Cell(text, below=ends[1] if ends[1].startswith(ends[0]) else f"{ends[0]} to {ends[1]}")
