"""Sentences on what limits a prediction: what was not played, memory, heat, unknown knees."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from distsweep.comparison.filters.ladder import MeasuredLadder
from distsweep.comparison.filters.memory import RELEASE_MS, SWEEP_S_PER_OCTAVE
from distsweep.comparison.filters.names import level_text
from distsweep.comparison.filters.record import AtLevel, Filter
from distsweep.results import TURNED_DOWN
from distsweep.words.wording import (
    decibels,
    frequency,
    frequency_range,
    listed,
    with_unit,
)

SINES = (
    "Headroom is that of single sines: music drives a limiter with all of its frequencies at once,"
    " and has less."
)

NEAR_HALF_RATE = 0.25
"""From this share of the rate on, a digital filter's gain depends on the rate by more than 0.3 dB
(chosen: by the bilinear transform's formula, a shelf or bell of 6 dB at an eighth of the rate)."""


def notes_of(
    ladder: MeasuredLadder,
    filters: Sequence[Filter],
    at_levels: Sequence[AtLevel],
    *,
    held_ms: float | None,
    heat_db: float,
) -> list[str]:
    """Return what must be known of a prediction."""
    notes = [SINES]
    for one in at_levels:
        notes += _not_played(one)
    limited = [one for one in ladder.take.limiters if one.kind in TURNED_DOWN]
    if limited:
        notes.append(_memory(held_ms))
    if any(one.kind == "clipping" for one in ladder.take.limiters):
        notes.append(
            "Where the wave begins to clip between two levels played, the intervals reach over"
            " both: nothing tells where between them distortion jumps."
        )
    if abs(heat_db) >= 0.01:
        more = "more" if heat_db > 0.0 else "less"
        notes.append(
            f"The loudspeaker lost gain as it grew warm; with {more} power through these filters"
            f" it may lose {decibels(abs(heat_db), decimals=2)} {more}, which is in the intervals."
        )
    top_hz = float(ladder.take.frequency_hz[-1])
    early = [
        one
        for one in filters
        if one.rate_hz * NEAR_HALF_RATE < top_hz and (one.frequency_hz or 0.0) > one.rate_hz / 16.0
    ]
    if early:
        rates = listed([with_unit(f"{rate:g}", "Hz") for rate in
                        sorted({one.rate_hz for one in early})])  # fmt: skip
        notes.append(
            "Near half its sampling rate a digital filter is narrower than at a higher rate: this"
            f" is for {rates}."
        )
    return notes


def ladders_too_short(positions: Sequence[str]) -> str:
    """Say which positions' ladders are left out."""
    where = listed([f"“{position}”" for position in positions])
    return f"At {where} fewer than three levels can be read, and filters need three."


def _not_played(one: AtLevel) -> list[str]:
    level = level_text(one)
    if one.drive_dbfs is None:
        return [f"{level} was not played: nothing can be told of that level."]
    if one.filtered_drive_dbfs is None:
        return [f"With these filters {level} asks for more than was played."]
    found = []
    for ranges, what in ((one.above_hz, "more"), (one.below_hz, "less")):
        if ranges:
            where = listed([_range(part) for part in ranges])
            found.append(f"At {level} these filters ask for {what} than was played {where}.")
    return found


def _range(part: Sequence[float]) -> str:
    if np.isclose(part[0], part[1]):
        return f"at {frequency(part[0])}"
    return f"from {frequency_range(part[0], part[1])}"


def _memory(held_ms: float | None) -> str:
    known = (
        f"its release is taken to be {RELEASE_MS:.0f} ms, as no staircase tells it"
        if held_ms is None
        else f"its release is {held_ms:.0f} ms by the staircase"
    )
    return (
        "Levels are those of steady sines. A rising sweep that comes out of a boosted range meets a"
        f" limiter that is still down, as the ladder's own may have: {known}, and a sweep is taken"
        f" to stay {SWEEP_S_PER_OCTAVE:g} s in an octave; the intervals of levels hold that."
    )
