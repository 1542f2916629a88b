"""The figure that the report's functions return. Imported only when one is drawn."""

from __future__ import annotations

import io
from typing import Any

from matplotlib.figure import Figure
from matplotlib.text import Text


class ReportFigure(Figure):
    """A matplotlib figure that a notebook shows by itself, without pyplot.

    ``head_in`` and ``foot_in`` are the heights of what a page says itself: title and reading
    hint at the top, the stamp at the bottom. A page shows the part between them.
    """

    title: str = ""
    subtitle: str = ""
    head_in: float = 0.0
    foot_in: float = 0.0

    def _repr_png_(self) -> bytes:
        buffer = io.BytesIO()
        self.savefig(buffer, format="png", dpi=110)
        return buffer.getvalue()


class TagText(Text):
    """Text on a line, with a rim of the paper's colour, which may be left out on a small screen.

    In SVG the rim is a stroke below the letters, so that text stays text.
    """

    rim_colour: str = "#ffffff"
    rim_points: float = 3.0

    def draw(self, renderer: Any) -> None:
        """Draw the text; into files the SVG takes it without the rim's outline."""
        svg = getattr(renderer, "svg", None)  # of both_renderer.BothRenderer
        if svg is None:
            super().draw(renderer)
            return
        super().draw(renderer.pixels)
        effects = self.get_path_effects()
        self.set_path_effects([])
        super().draw(svg)
        self.set_path_effects(effects)
