"""Every difference over thirds of an octave, as tables of the page."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from distsweep.analysis.third_octave import third_octave_bands
from distsweep.comparison.record import Difference
from distsweep.report.comparison.compared import Compared, level_name, level_of, level_words
from distsweep.report.comparison.overlay import less_name, short_name
from distsweep.report.content import Block, Cell, Fold, Table
from distsweep.units import FloatArray
from distsweep.words import wording

_UNKNOWN = Cell("—", "not known", pale=True)
_MOST_COLUMNS = 12  # of a table on the page (chosen: more are no longer read side by side)


def difference_fold(compared: Compared, position: str, *quantities: str) -> list[Fold]:
    """Return a fold with the tables of quantities' differences; none where there are none."""
    tables = [
        difference_table(columns, _what(compared, quantity, position))
        for quantity in quantities
        if (columns := _columns(compared, quantity, position))
    ]
    shown: list[Block] = [table for table in tables if table.rows]
    return [Fold("Differences in thirds of an octave", shown)] if shown else []


def _what(compared: Compared, quantity: str, position: str) -> str:
    """Say of what the differences are, and where all columns share a level, at which."""
    what = f"{short_name(quantity)}, {less_name(compared.names)}"
    levels = compared.levels(quantity, position)
    if len(compared.names) == 2 or not levels:
        return what
    aligned = compared.of(quantity, position)[0].aligned
    return f"{what}, {level_words(aligned, levels[-1:])}"


def difference_table(columns: dict[str, Difference], what: str) -> Table:
    """Return a table with a column a difference, and a row a frequency that any has a value at."""
    grid = np.unique(np.concatenate([one.frequency_hz for one in columns.values()]))
    rows = []
    for frequency_hz in grid:
        cells = [_cell_at(one, float(frequency_hz)) for one in columns.values()]
        if any(cell != _UNKNOWN for cell in cells):
            rows.append([Cell(wording.frequency(float(frequency_hz))), *cells])
    caption = f"{what}, dB. Below: the 95 % interval."
    return Table(caption, ["Frequency", *columns], rows)


def thirds_of(compared: Compared, difference: Difference) -> Difference:
    """Return a difference over thirds of an octave: of averages, or the averages of its points."""
    return compared.over_thirds(difference) or averaged(difference)


def averaged(fine: Difference) -> Difference:
    """Return the mean over thirds of an octave of a difference at single frequencies, in dB.

    Half of a band's points must be known. The ends are means, too, as if all points of a band erred
    together, so the interval is no narrower than that of one frequency.
    """
    middle_hz, inside = third_octave_bands(fine.frequency_hz)
    value, low, high = (
        np.array([_mean(part[band]) for band in inside])
        for part in (fine.difference_db, fine.low_db, fine.high_db)
    )
    return replace(fine, frequency_hz=middle_hz, difference_db=value, low_db=low, high_db=high)


def _mean(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return float(np.mean(known)) if 2 * known.size >= values.size > 0 else math.nan


def _columns(compared: Compared, quantity: str, position: str) -> dict[str, Difference]:
    """Return differences by the names of their columns: a level of a pair, else a source."""
    found = compared.of(quantity, position)
    levels = compared.levels(quantity, position)
    is_pair = len(compared.names) == 2
    columns: dict[str, Difference] = {}
    for one in found:
        level = level_of(one)
        if not is_pair and level is not None and level != levels[-1]:
            continue  # of several, the loudest: all of them stand in the tables' files
        name = compared.names[one.source]
        if is_pair:
            name = short_name(quantity) if level is None else level_name(one.aligned, level)
        columns[name] = thirds_of(compared, one)
    return dict(list(columns.items())[:_MOST_COLUMNS])


def _cell_at(one: Difference, frequency_hz: float) -> Cell:
    at = np.flatnonzero(np.abs(one.frequency_hz - frequency_hz) <= 1e-3 * frequency_hz)
    if not at.size:
        return _UNKNOWN
    value, low, high = (float(part[at[0]]) for part in (one.difference_db, one.low_db, one.high_db))
    return difference_cell(value, low, high)


def difference_cell(value: float, low: float, high: float) -> Cell:
    """Write a difference over its interval, rounded to what that leaves known, or its bound."""
    if math.isfinite(value):
        places = wording.known_places((high - low) / 2.0) if math.isfinite(high - low) else 1
        below = _ends(low, high)
        return Cell(("" if places else "≈ ") + wording.with_sign(value, places), below)
    if math.isfinite(low) and math.isfinite(high):
        return Cell("—", _ends(low, high), pale=True)
    if math.isfinite(low):
        return Cell(f"≥ {wording.with_sign(math.floor(10.0 * low) / 10.0)}", pale=True)
    if math.isfinite(high):
        return Cell(f"≤ {wording.with_sign(math.ceil(10.0 * high) / 10.0)}", pale=True)
    return _UNKNOWN


def _ends(low: float, high: float) -> str:
    if math.isfinite(low) and math.isfinite(high):
        return f"{wording.with_sign(low)} to {wording.with_sign(high)}"
    if math.isfinite(high):
        return f"at most {wording.with_sign(high)}"
    return f"at least {wording.with_sign(low)}" if math.isfinite(low) else ""
