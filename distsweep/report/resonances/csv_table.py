"""CSV of the resonances: a row each, the surest first."""

from __future__ import annotations

from collections.abc import Iterable

from distsweep.report.csv_text import as_csv, as_text
from distsweep.results import Resonance, Results

COLUMNS = (
    "frequency_hz", "q", "kind", "confidence", "prominence_db", "growth_db_per_db",
    "expected_growth_db_per_db", "appears_at_dbfs", "steady_order", "steady_hz",
    "steady_drive_dbfs", "steady_level_db", "steady_low_db", "steady_high_db", "swept_level_db",
    "ring_time_s", "positions", "orders", "possible_causes", "summary",
)  # fmt: skip
"""Columns, in order; see `distsweep.results.Resonance`. Lists have "; " between their items."""

_NUMBERS = (*COLUMNS[:2], *COLUMNS[3:15])


def resonance_table(results: Results) -> str | None:
    """Text of the CSV; None where no resonance was found."""
    if not results.resonances:
        return None
    return as_csv([COLUMNS, *map(_line, results.resonances)])


def _line(found: Resonance) -> list[str]:
    numbers = {name: as_text(getattr(found, name)) for name in _NUMBERS}
    ring_s = None if found.decay is None else found.decay.ring_time_s
    texts = {
        "kind": found.kind,
        "ring_time_s": as_text(ring_s),
        "positions": _listed(seen.position for seen in found.seen_in),
        "orders": _listed(f"H{seen.order}" for seen in found.seen_in),
        "possible_causes": _listed(cause.name for cause in found.possible_causes),
        "summary": found.summary,
    }
    return [{**numbers, **texts}[name] for name in COLUMNS]


def _listed(items: Iterable[str]) -> str:
    return "; ".join(dict.fromkeys(items))
