"""The page's sections on what limits the output: of a ladder, and of a staircase."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from distsweep.analysis.limits.gain_change import ONSET_DB
from distsweep.report.clean_level import levels as clean_level
from distsweep.report.clean_level.figure import picture as clean_level_picture
from distsweep.report.clean_level.table import clean_level_cells
from distsweep.report.content import (
    Block,
    Cell,
    Fold,
    Paragraph,
    Points,
    Section,
    Table,
    number_cell,
)
from distsweep.report.limits import burst, gain_change, gain_map, input_output
from distsweep.report.limits.limiter_words import (
    difference_words,
    last_change_words,
    ratio_words,
    threshold_words,
)
from distsweep.results import TURNED_DOWN, Limiter, Results, Staircase, Take
from distsweep.words import wording


def compression(_results: Results, take: Take, name: str) -> Section | None:
    """Gain change, or why there is none."""
    if not take.rungs:
        return None
    picture = gain_change.picture(take, name)
    blocks: list[Block] = [
        picture
        or Paragraph(
            "Compression was not worked out: it takes at least two rungs and a reference rung."
        )
    ]
    blocks += ladder_blocks(take, name)
    return Section("Compression", f"take-{name}.compression", blocks)


def ladder_blocks(take: Take, name: str) -> list[Block]:
    """What a ladder shows of compression beyond the gain change of each rung.

    Nothing of it where nobody judged it: results of earlier versions hold no verdict.
    """
    blocks: list[Block] = []
    if not take.limiters:
        return blocks
    if gain_map.gain_grid(take) is not None:
        blocks.append(gain_map.block(take, name))
    evidence = [
        _sentence(_headed(take, limiter) + text)
        for limiter in take.limiters
        for text in limiter.evidence
    ]
    if evidence:
        blocks.append(Fold("What speaks for this", [Points(evidence)]))
    blocks += [draw(take, name) for draw, content in _LADDER if content(take)]
    return blocks


def staircase(_results: Results, take: Take, name: str) -> Section | None:
    """A staircase: what limits each tone, curves, a burst against time, clean levels."""
    if not take.staircase:
        return None
    blocks: list[Block] = [_limiter_table(take)]
    evidence = [
        f"{wording.frequency(row.frequency_hz)}: {'; '.join(row.limiter.evidence)}."
        for row in take.staircase
        if row.limiter is not None and row.limiter.evidence
    ]
    blocks += [draw(take, name) for draw, content in _STAIRCASE if content(take)]
    if evidence:
        blocks.insert(1, Fold("What speaks for each", [Points(evidence)]))
    return Section("Staircase", f"take-{name}.staircase", blocks)


def _limiter_table(take: Take) -> Table:
    columns = [
        "Tone", "Kind", "Threshold, dBFS", "Ratio", "Knee, dB", "Attack, ms", "Release, ms",
        "Gain change at the highest drive", "Falling minus rising",
    ]  # fmt: skip
    rows = [_limiter_row(row) for row in sorted(take.staircase, key=lambda r: r.frequency_hz)]
    caption = (
        "What holds each tone back. Attack and release: the time in which the gain in dB covers"
        " 63 % of its way; a dash where the tone has too few periods in it, or nothing moved."
        " “≈”: rounded to what noise leaves known."
    )
    return Table(caption, columns, rows)


def _limiter_row(row: Staircase) -> list[Cell]:
    limiter = row.limiter or Limiter("not stated")
    ratio = ratio_words(limiter) if limiter.kind in TURNED_DOWN else ""
    place = threshold_words(limiter, "")
    known = row.gain_change_db[np.isfinite(row.gain_change_db)]
    # What loses gain without a limiter is explained below the table.
    other = limiter.kind == "none" and known.size > 0 and known[-1] <= ONSET_DB
    return [
        Cell(wording.frequency(row.frequency_hz)),
        Cell("no limiter, see below" if other else limiter.kind),
        _words_cell(place),
        _words_cell(ratio),
        number_cell(limiter.knee_db, 1),
        number_cell(limiter.attack_ms, 1),
        number_cell(limiter.release_ms, 0),
        _words_cell(last_change_words(row, about="≈ ", decimals=2)),
        _words_cell(difference_words(row)),
    ]


def _words_cell(words: str) -> Cell:
    return Cell(words or "—", pale=not words)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "."


def _headed(take: Take, limiter: Limiter) -> str:
    """Return a limiter's band as a head for its evidence, where there are several."""
    if len(take.limiters) < 2 or limiter.band_hz is None:
        return ""
    return f"{wording.frequency_range(limiter.band_hz[0], limiter.band_hz[1])}: "


def _clean_level_fold(take: Take, name: str) -> Fold:
    return Fold("Highest clean levels in numbers", [clean_level_cells(take, name)])


_Parts = list[tuple[Callable[[Take, str], Block], Callable[[Take], object]]]

_LADDER: _Parts = [
    (input_output.picture, input_output.input_output),
    (clean_level_picture, clean_level.shown),
    (_clean_level_fold, clean_level.shown),
]
_STAIRCASE: _Parts = [
    (gain_map.block, gain_map.gain_grid),
    (input_output.picture, input_output.input_output),
    (burst.picture, burst.traced),
    (clean_level_picture, clean_level.shown),
    (_clean_level_fold, clean_level.shown),
]
"""What returns a block, and what is true of a take that has anything to show in it."""
