"""Which figures are made: those that the style names, and of takes aside only the usual ones."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from distsweep.report.content import Block, Fold, Picture, Section
from distsweep.report.style import FIGURES, Style

ASIDE = ("thd", "harmonics", "fundamental", "impulses")
"""Figures of a take that is folded (a near field, another angle, a repeat). Chosen: what it was
played for; its tables, sentences and results hold all the same as for the leading take."""


def sort_of(name: str) -> str:
    """Return the sort of a figure by its name: ``axis-2-gain-map`` is a ``gain-map``."""
    bare = re.sub(r"-\d+$", "", name)
    fitting = [sort for sort in FIGURES if bare == sort or bare.endswith(f"-{sort}")]
    return max(fitting, key=len, default=bare)


def chosen(sections: Sequence[Section], style: Style) -> list[Section]:
    """Return sections without the figures that are not made, and without those left empty."""
    kept = []
    for section in sections:
        aside = section.folded and section.anchor.startswith("take-")
        part = _section(section, style.figures or (ASIDE if aside else None))
        kept += [] if part is None else [part]
    return kept


def _section(section: Section, wanted: Sequence[str] | None) -> Section | None:
    inner = [part for one in section.sections if (part := _section(one, wanted)) is not None]
    blocks = _blocks(section.blocks, wanted)
    if not blocks and not inner and (section.blocks or section.sections):
        return None
    return replace(section, blocks=blocks, sections=inner)


def _blocks(blocks: Sequence[Block], wanted: Sequence[str] | None) -> list[Block]:
    kept: list[Block] = []
    for block in blocks:
        if isinstance(block, Fold):
            inside = _blocks(block.blocks, wanted)
            if inside:
                kept.append(replace(block, blocks=inside))
        elif not isinstance(block, Picture) or wanted is None or sort_of(block.name) in wanted:
            kept.append(block)
    return kept
