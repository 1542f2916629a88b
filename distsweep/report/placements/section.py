"""The page's section on placements: how well values repeat where the microphone is put back."""

from __future__ import annotations

import numpy as np

from distsweep.report.content import Block, Cell, Points, Section, Table, number_cell
from distsweep.results import PlaceDeviation, Reproducibility, Results
from distsweep.results.reproducibility import THIRDS
from distsweep.units import FloatArray
from distsweep.words import wording
from distsweep.words.placements import placements_sentence, reproducibility_sentences

OCTAVES_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
"""Octaves of the table (nominal midband frequencies, IEC 61260-1)."""

_MEANING = [
    "An interval of these takes holds, in 95 of 100 cases, the mean over placements made with the "
    "same care. A second placement lies within √2 times as far of the first.",
    "The fewer placements, the wider: what moves a whole octave alike enters with Student's "
    "factor, 12.7 from two placements, 4.3 from three, 2.8 from five.",
    "Gain changes and limits are found within one placement, and hold nothing of this.",
]


def placements(results: Results) -> Section | None:
    """How well values repeat, for each position and stimulus; None without placements."""
    if not results.reproducibility:
        return None
    blocks: list[Block] = []
    positions = [found.position for found in results.reproducibility]
    for found in results.reproducibility:
        several = positions.count(found.position) > 1
        title = f"“{found.position}”, {found.stimulus}" if several else f"“{found.position}”"
        blocks += [Points(reproducibility_sentences(found)), _table(found, title)]
    counted = {found.position: placements_sentence(found) for found in results.reproducibility}
    lead = f"{' '.join(counted.values())} What that changes is in the intervals of these takes."
    return Section("Microphone put back", "placements", [*blocks, Points(_MEANING)], [], True, lead)


def _table(found: Reproducibility, title: str) -> Table:
    """Return half-widths by octave: level and THD, single frequencies and thirds.

    Where values differ by no more than noise alone makes them differ, that is said instead.
    """
    single, thirds = found.of(None), found.of(THIRDS)
    columns, curves = ["Octave around"], []
    for spread, name in ((single, ""), (thirds, ", thirds")):
        if spread is None:
            continue
        for quantity, place in (("Level", spread.level), ("THD", spread.thd)):
            columns.append(f"{quantity}{name}")
            curves.append((spread.frequency_hz, place))
    rows = []
    for middle_hz in OCTAVES_HZ:
        values = [_largest_db(f, place, middle_hz) for f, place in curves]
        if np.any(np.isfinite(values)):
            cells = [
                number_cell(value if value > 0.0 else None, missing="in the noise")
                for value in values
            ]
            rows.append([Cell(wording.frequency(middle_hz)), *cells])
    return Table(
        f"{title}, {found.placements} placements: half-widths, ± dB.", columns, rows,
        note="95 %, the place alone; the largest in each octave",
    )  # fmt: skip


def _largest_db(frequency_hz: FloatArray, place: PlaceDeviation, middle_hz: float) -> float:
    inside = np.abs(np.log2(frequency_hz / middle_hz)) <= 0.5
    known = place.half_width_db[inside & np.isfinite(place.half_width_db)]
    return float(np.max(known)) if known.size else float("nan")
