"""What a page is made of: sections that hold paragraphs, tables and pictures.

The template renders these and knows nothing of sweeps; a new section is a function of its topic
that returns one of them, added to the list in `distsweep.report.sections`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from distsweep.report.figure_data import FigureData


@dataclass(frozen=True)
class Cell:
    """A table cell: its text, a second line, and whether it is no data (shown pale)."""

    text: str
    below: str = ""
    pale: bool = False


def number_cell(value: float | None, decimals: int = 1, *, missing: str = "—") -> Cell:
    """A number's cell; ``missing``, pale, where there is no number."""
    if value is None or not np.isfinite(value):
        return Cell(missing, pale=True)
    return Cell(wording.signed(value, decimals))


@dataclass(frozen=True)
class Table:
    """A table with a heading a column; the first cell of a row names the row.

    ``note`` stands in the table's head, above the columns' headings.
    """

    caption: str
    columns: list[str]
    rows: list[list[Cell]]
    note: str = ""
    kind: str = "table"


@dataclass(frozen=True)
class Terms:
    """Pairs of a name and what is said of it."""

    pairs: list[tuple[str, str]]
    long: bool = False
    kind: str = "terms"


@dataclass(frozen=True)
class Points:
    """A list of sentences."""

    sentences: list[str]
    kind: str = "points"


@dataclass(frozen=True)
class Linked:
    """A list of sentences in order of weight, each with the anchor of its evidence."""

    items: list[tuple[str, str]]
    kind: str = "linked"


@dataclass(frozen=True)
class Paragraph:
    """Running text."""

    text: str
    kind: str = "paragraph"


@dataclass(frozen=True)
class Picture:
    """A figure that is drawn when the page is written, with what follows its title on the page.

    ``misleads`` says how a reader can go wrong with it; ``alternative`` is what a reader
    who cannot see it is told. ``data`` returns the numbers that are drawn; None where a cursor has
    nothing to read. ``position`` is that of the take, as it stands on the figure.
    """

    name: str
    draw: Callable[[], Figure]
    alternative: str
    caption: str
    misleads: str
    kind: str = "picture"
    data: Callable[[], FigureData] | None = None
    position: str = ""


@dataclass(frozen=True)
class Fold:
    """Blocks behind one line, which opens them."""

    title: str
    blocks: list[Block]
    kind: str = "fold"


Block = Table | Terms | Points | Linked | Paragraph | Picture | Fold


@dataclass(frozen=True)
class Section:
    """A heading and its blocks; ``sections`` stand one level below it.

    A ``folded`` section shows its heading and its ``lead``, one line, until it is opened.
    """

    title: str
    anchor: str
    blocks: list[Block] = field(default_factory=list)
    sections: list[Section] = field(default_factory=list)
    folded: bool = False
    lead: str = ""


def pictures(sections: Sequence[Section]) -> Iterator[Picture]:
    """Every picture of sections, folded ones among them, in their order."""
    return (block for block in every_block(sections) if isinstance(block, Picture))


def every_block(sections: Sequence[Section]) -> Iterator[Block]:
    """Every block of sections and of those inside them; of a fold, what is folded."""
    for section in sections:
        yield from _unfolded(section.blocks)
        yield from every_block(section.sections)


def _unfolded(blocks: Sequence[Block]) -> Iterator[Block]:
    for block in blocks:
        if isinstance(block, Fold):
            yield from _unfolded(block.blocks)
        else:
            yield block
