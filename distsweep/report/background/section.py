"""The page's section on the background: its level, its lines of mains hum, and words on them."""

from __future__ import annotations

import math

from distsweep.report.content import Block, Cell, Paragraph, Section, Table, Terms, number_cell
from distsweep.results import Background, Results, Take
from distsweep.words import wording


def background(results: Results, take: Take, name: str) -> Section:
    """Noise and hum while nothing was played."""
    blocks = _blocks(take, background_of(results, take))
    line = hum_sentence(results, take) or ""
    title = "Background noise"
    return Section(title, f"take-{name}.background", blocks, folded=True, lead=line)


def background_of(results: Results, take: Take) -> Background | None:
    """Background of a take, or the session's when the take has none."""
    return take.background or results.background


def _blocks(take: Take, background: Background | None) -> list[Block]:
    """Level, A-weighted level and hum of the background, or that it is not known."""
    if background is None:
        return [Paragraph("The background noise was not measured in this take.")]
    unit = wording.level_unit(take)
    pairs = [
        (name, "not known" if level is None or not math.isfinite(level)
         else wording.decibels(level, unit))
        for name, level in (("Level", background.level_db),
                            ("A-weighted level", background.a_weighted_db))
    ]  # fmt: skip
    blocks: list[Block] = [Terms(pairs)]
    if not background.hum:
        return [*blocks, Paragraph("No line of mains hum stands out of it.")]
    rows = [
        [
            Cell(wording.frequency(tone.frequency_hz)),
            number_cell(tone.level_db, missing="not known"),
        ]
        for tone in background.hum
    ]
    return [*blocks, Table("Lines of mains hum.", ["Frequency heard", f"Level, {unit}"], rows)]


def hum_sentence(results: Results, take: Take) -> str | None:
    """Count the lines of mains hum, and name the strongest; None without a background."""
    background = background_of(results, take)
    if background is None:
        return None
    hum = [tone for tone in background.hum if math.isfinite(tone.level_db)]
    if not hum:
        return "No mains hum was found in the background noise."
    worst = max(hum, key=lambda tone: tone.level_db)
    lines = len(hum)
    return (
        f"The background noise holds {lines} {'line' if lines == 1 else 'lines'} of mains hum, the "
        f"strongest at {wording.frequency(worst.frequency_hz)} with "
        f"{wording.decibels(worst.level_db, wording.level_unit(take))}."
    )
