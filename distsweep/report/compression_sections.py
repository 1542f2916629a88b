"""The report's parts on compression: pictures, tables and paragraphs, ready for the page."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from distsweep.report import clean_level, limiter_agreement
from distsweep.report.compression_data import (
    gain_grid,
    input_output,
    map_shows,
    ratio_words,
    threshold_words,
    traced,
)
from distsweep.report.content import Block, Cell, Paragraph, Picture, Points, Section, Table
from distsweep.results import Agreement, Limiter, Results, Staircase, Take
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def ladder_blocks(take: Take, name: str) -> list[Block]:
    """What a ladder shows of compression beyond the gain change of each rung.

    Nothing of it where nobody judged it: results of earlier versions hold no verdict.
    """
    blocks: list[Block] = []
    if not take.limiters:
        return blocks
    if gain_grid(take) is not None:
        blocks.append(_map_or_words(take, name))
    evidence = [
        _sentence(_headed(take, limiter) + text)
        for limiter in take.limiters
        for text in limiter.evidence
    ]
    if evidence:
        blocks.append(Points(evidence))
    blocks += [draw(take, name) for draw, has in _LADDER if has(take)]
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
    blocks += [draw(take, name) for draw, has in _STAIRCASE if has(take)]
    if evidence:
        blocks += [Paragraph("What speaks for each:"), Points(evidence)]
    return Section("Staircase", f"take-{name}.staircase", blocks)


def agreement(results: Results) -> Section | None:
    """Ladder and staircase compared, for each pair of takes."""
    if not results.agreement and not results.limiter_agreement:
        return None
    blocks: list[Block] = []
    if results.limiter_agreement:
        blocks.append(limiter_agreement.table(results.limiter_agreement))
    pairs: dict[tuple[str, str, str], list[Agreement]] = {}
    for item in results.agreement:
        pairs.setdefault((item.position, item.ladder, item.staircase), []).append(item)
    for number, ((position, ladder, steps), found) in enumerate(pairs.items(), start=1):
        blocks.append(Paragraph(_agreement_words(position, ladder, steps, found)))
        blocks.append(
            Picture(
                f"agreement-{number}",
                partial(_draw_agreement, found),
                f"Staircase minus ladder at {len(found)} frequencies and drives.",
                f"Staircase minus ladder at “{position}”: THD over the orders both have, and"
                " level, at the tones and drives that both played.",
                "Levels need not agree in a room: a sweep's window shuts out reflections that a"
                " steady tone includes. A limiter or a warm coil changes what comes later.",
            )
        )
    return Section("Ladder and staircase compared", "agreement", blocks)


def _agreement_words(position: str, ladder: str, steps: str, found: list[Agreement]) -> str:
    reliable = [abs(item.thd_difference_db) for item in found if item.reliable]
    levels = [abs(item.level_difference_db) for item in found]
    first = f"At “{position}”, {steps} and {ladder} met at {len(found)} tones and drives: "
    level = f"levels differ by {np.median(levels):.2f} dB in the median"
    if not reliable:
        return f"{first}{level}; of THD none is reliable in both."
    return (
        f"{first}{level}, {max(levels):.2f} dB at most; THD, where reliable in both"
        f" ({len(reliable)}), by {np.median(reliable):.2f} dB in the median and"
        f" {max(reliable):.2f} dB at most."
    )


def _limiter_table(take: Take) -> Table:
    columns = [
        "Tone", "Kind", "Threshold, dBFS", "Ratio", "Knee, dB", "Attack, ms", "Release, ms",
        "Gain change at the highest drive", "Falling minus rising",
    ]  # fmt: skip
    rows = [_limiter_row(row) for row in sorted(take.staircase, key=lambda r: r.frequency_hz)]
    caption = (
        "What holds each tone back. Attack and release: the time in which the gain in dB covers"
        " 63 % of its way; a dash where the tone has too few periods in it, or nothing moved."
    )
    return Table(caption, columns, rows)


LEAST_OTHER_LOSS_DB = -0.5
"""A gain change of so much is an onset (contract), whatever it comes from."""


def _limiter_row(row: Staircase) -> list[Cell]:
    limiter = row.limiter or Limiter("not stated")
    turned_down = limiter.kind in ("limiter", "compressor", "limiting")
    ratio = ratio_words(limiter) if turned_down else ""
    place = threshold_words(limiter, "")
    known = row.gain_change_db[np.isfinite(row.gain_change_db)]
    # What loses gain without a limiter is explained below the table.
    other = limiter.kind == "none" and known.size > 0 and known[-1] <= LEAST_OTHER_LOSS_DB
    return [
        Cell(wording.frequency(row.frequency_hz)),
        Cell("no limiter, see below" if other else limiter.kind),
        Cell(place or "—", pale=not place),
        Cell(ratio or "—", pale=not ratio),
        _number(limiter.knee_db, 1),
        _number(limiter.attack_ms, 1),
        _number(limiter.release_ms, 0),
        _number(float(known[-1]) if known.size else None, 2),
        _number(row.difference_db, 2),
    ]


def _number(value: float | None, decimals: int) -> Cell:
    if value is None or not np.isfinite(value):
        return Cell("—", pale=True)
    return Cell(wording.signed(value, decimals))


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "."


def _headed(take: Take, limiter: Limiter) -> str:
    """Return a limiter's band as a head for its evidence, where there are several."""
    if len(take.limiters) < 2 or limiter.band_hz is None:
        return ""
    return f"{wording.frequency_range(limiter.band_hz[0], limiter.band_hz[1])}: "


def _map_or_words(take: Take, name: str) -> Block:
    if map_shows(take):
        return _map(take, name)
    return Paragraph("The map of gain change is left out: no gain falls by 0.5 dB or more.")


def _map(take: Take, name: str) -> Picture:
    return Picture(
        f"{name}-gain-map",
        partial(_draw, "plot_gain_map", take),
        "Map of gain change over frequency and drive.",
        "Gain change re the quietest reliable level over frequency and drive. A limiter of the"
        " whole band begins at one height; one of the woofer alone leaves the right side pale.",
        "White is no compression or no value: look at the reliable stretches above. Between two"
        " drives the map is interpolated.",
    )


def _input_output(take: Take, name: str) -> Picture:
    return Picture(
        f"{name}-input-output",
        partial(_draw, "plot_input_output", take),
        "Output against drive with the fitted static curve.",
        "Output against drive, re the gain at the reference rung or the lowest level. A line is"
        " the soft-knee curve that fits best, where one is known; dashed is output that follows"
        " drive.",
        "Levels are those of bursts that had settled: music's short peaks pass a limiter before"
        " it acts. Rings off the dots mean that the loudspeaker had not come back on the way"
        " down: a slow release, or heat.",
    )


def _burst(take: Take, name: str) -> Picture:
    return Picture(
        f"{name}-burst",
        partial(_draw, "plot_burst", take),
        "Level against time around one loud burst.",
        "Level of the fundamental against time around the loudest burst of one tone. Dashed: what"
        " the level would have been with the gain of the quietest burst.",
        "Nothing faster than the window shows: it holds a whole period of the tone or more. In a"
        " room the tail after the burst is the room's as well as the limiter's.",
    )


def _has_map(take: Take) -> bool:
    return gain_grid(take) is not None


def _has_curves(take: Take) -> bool:
    return bool(input_output(take))


def _has_burst(take: Take) -> bool:
    return traced(take) is not None


_LADDER: list[tuple[Any, Any]] = [
    (_input_output, _has_curves),
    (clean_level.picture, clean_level.shown),
    (clean_level.table, clean_level.shown),
]
_STAIRCASE: list[tuple[Any, Any]] = [
    (_map_or_words, _has_map),
    (_input_output, _has_curves),
    (_burst, _has_burst),
    (clean_level.picture, clean_level.shown),
    (clean_level.table, clean_level.shown),
]


def _draw(function: str, take: Take) -> Figure:
    """Draw only now, so that planning a page loads no matplotlib."""
    from distsweep.report import compression_figures

    figure: Figure = getattr(compression_figures, function)(take)
    return figure


def _draw_agreement(found: list[Agreement]) -> Figure:
    from distsweep.report.compression_agreement import plot_agreement

    return plot_agreement(found)
