"""Colours and dashes that tell sources apart."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from distsweep.report import palette
from distsweep.report.dark import contrast
from distsweep.report.palette import mixed
from distsweep.report.style import LINE_CONTRAST

_COLOURS = ("#1f6f78", "#b3481c", "#5a4596", "#6f6210", "#9c2a62", "#3d3a36")
"""Of the sources, the first's first (chosen by eye: hues far apart, all dark enough for thin lines
on light paper; dashes tell apart what some eyes see as one hue)."""

_DASHES: tuple[tuple[float, ...], ...] = ((), (5.0, 2.0), (1.4, 1.6), (7.0, 1.8, 1.4, 1.8))
"""Lengths of dashes and gaps re the line's width; none: a full line."""


@dataclass(frozen=True)
class Stroke:
    """How a source is drawn: ``colour`` as on paper of this figure, ``dash`` in widths."""

    colour: str
    dash: tuple[float, ...] = ()

    @property
    def linestyle(self) -> Any:
        """Matplotlib's name of the dash."""
        return (0, self.dash) if self.dash else "-"

    @property
    def css_dash(self) -> str:
        """SVG's name of the dash, of a line 2 units wide."""
        return " ".join(f"{2.0 * part:g}" for part in self.dash)


def stroke_of(source: int) -> Stroke:
    """Return the stroke of a source by its number, 0 for the reference.

    Dashes go on faster than colours, so that of 12 sources no two share both.
    """
    colour = palette.now().palette.shade(_COLOURS[source % len(_COLOURS)])
    return Stroke(seen(colour), _DASHES[source % len(_DASHES)])


def field_stroke() -> Stroke:
    """Return the stroke of a source that is one of many."""
    return Stroke(palette.now().palette.quiet_ink)


def seen(colour: str) -> str:
    """Return a colour that stands out from the paper, with as much ink as that takes."""
    now = palette.now().palette
    for share in (0.0, 0.2, 0.4, 0.6, 0.8):
        with_ink = mixed(colour, now.ink, share)
        if contrast(with_ink, now.paper) >= LINE_CONTRAST:
            return with_ink
    return now.ink
