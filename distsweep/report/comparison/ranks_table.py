"""Ranks of many sources as a table of the page and as a CSV file."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from distsweep.comparison.ranks import SPREAD_HZ, Score, ranks
from distsweep.report.comparison.compared import Compared
from distsweep.report.content import Cell, Table
from distsweep.report.csv_text import as_text
from distsweep.units import db_to_percent
from distsweep.words import wording

COLUMNS = (
    "figure", "unit", "at", "source", "best_rank", "worst_rank", "value", "low", "high",
)  # fmt: skip
_BAND = f"{wording.short_frequency(SPREAD_HZ[0])} to {wording.short_frequency(SPREAD_HZ[1])} Hz"


def ranks_table(compared: Compared, position: str) -> Table | None:
    """Return a table with a row a source and a column a figure; None where nothing is ranked."""
    scores = ranks(compared.sources, position)
    if not scores:
        return None
    rows = [
        [Cell(name), *(_cell(score, source) for score in scores)]
        for source, name in enumerate(compared.names)
    ]
    caption = (
        "Ranks, 1 the best: the highest level or the lowest distortion. A range holds a source's "
        "rank in 95 % of cases: nearer than that they cannot be told apart. Below: the figure."
    )
    quiet = next((one.at for one in scores if one.code == "sensitivity"), None)
    if quiet is not None:
        caption += f" Level at 0 dBFS: carried on from {wording.drive(quiet)}."
    return Table(caption, ["Source", *map(heading, scores)], rows)


def heading(score: Score) -> str:
    """Name a figure, with where it was taken and its unit."""
    at = math.nan if score.at is None else score.at
    return {
        "sensitivity": f"Level at 0 dBFS, {score.unit}",
        "thd": f"THD at {wording.drive(at)}, {_BAND}",
        "clean level": f"Clean level at {wording.frequency(at)}, {score.unit}",
        "unevenness": f"Unevenness, {_BAND}, dB",
    }[score.code]


def _cell(score: Score, source: int) -> Cell:
    best, worst = score.best_rank[source], score.worst_rank[source]
    value, low, high = (float(part[source]) for part in (score.values, score.low, score.high))
    if not any(math.isfinite(end) for end in (value, low, high)):
        return Cell("—", "not known", pale=True)
    rank = f"{best}" if best == worst else f"{best}\N{EN DASH}{worst}"
    return Cell(rank, _figure(score, value, low, high))


def _figure(score: Score, value: float, low: float, high: float) -> str:
    if score.code == "thd":
        percents = [float(db_to_percent(one)) for one in (value, low, high)]
        return wording.known_percent(*percents, about="≈ ", most="≤ ")
    if math.isfinite(value):
        known = math.isfinite(low) and math.isfinite(high)
        return wording.give_or_take(value, low, high) if known else wording.signed(value)
    if math.isfinite(low) and math.isfinite(high):
        return f"{wording.signed(low)} to {wording.signed(high)}"
    return f"≥ {wording.signed(low)}" if math.isfinite(low) else f"≤ {wording.signed(high)}"


def rank_rows(names: Sequence[str], scores: Sequence[Score]) -> Iterator[list[str]]:
    """Yield the rows of the CSV file, one a figure and source."""
    for score in scores:
        for source, name in enumerate(names):
            ends = (score.values[source], score.low[source], score.high[source])
            yield [
                score.code, score.unit, as_text(score.at), name, str(score.best_rank[source]),
                str(score.worst_rank[source]), *map(as_text, ends),
            ]  # fmt: skip
