"""CSV of what a placement of the microphone moves levels, THD and harmonics by."""

from __future__ import annotations

from collections.abc import Iterator

from distsweep.report.csv_text import as_csv, as_text
from distsweep.results import Reproducibility, Results

COLUMNS = (
    "position", "stimulus", "placements", "bands_per_octave", "frequency_hz", "what",
    "deviation_db", "half_width_db",
)  # fmt: skip
"""Columns, in order. ``bands_per_octave`` is empty for single frequencies; ``what`` is "level",
"thd" or a harmonic, "h2"; ``half_width_db`` is that of 95 %, by Student's factor."""


def reproducibility_table(results: Results) -> str | None:
    """Text of the CSV; None where no position was measured with the microphone put back."""
    lines = [line for found in results.reproducibility for line in _lines(found)]
    return as_csv([COLUMNS, *lines]) if lines else None


def _lines(found: Reproducibility) -> Iterator[list[str]]:
    own = [found.position, found.stimulus, str(found.placements)]
    for spread in found.spreads:
        bands = "" if spread.bands_per_octave is None else str(spread.bands_per_octave)
        for what, place in spread.curves():
            columns = spread.frequency_hz, place.deviation_db, place.half_width_db
            for frequency_hz, *values_db in zip(*columns, strict=True):
                cells = [as_text(round(value, 3)) for value in values_db]
                yield [*own, bands, as_text(frequency_hz), what, *cells]
