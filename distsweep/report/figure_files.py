"""One figure, drawn once: its SVG and PNG files, and the element that the page shows."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from distsweep.report.content import Picture
from distsweep.report.style import DEFAULT_STYLE, Style


@dataclass(frozen=True)
class Drawing:
    """A figure for the page: the ``<svg>`` element, and what its files say above and below it."""

    svg: str
    title: str
    subtitle: str


def write_figure(picture: Picture, *, folder: Path, style: Style = DEFAULT_STYLE) -> Drawing:
    """Draw a picture into ``folder`` as SVG and PNG; return what the page shows of it."""
    from distsweep.report import look, svg
    from distsweep.report.both_renderer import drawn, png_bytes

    with look.files_look(style):
        figure = look.report_figure(picture.draw())
        renderer = drawn(figure, dots_per_inch=style.png_dpi)
    fonts = look.css_fonts(style.font)
    text = svg.document(renderer, fonts=fonts)
    (folder / f"{picture.name}.svg").write_bytes(text.encode("utf-8"))
    png = png_bytes(renderer, dots_per_inch=style.png_dpi)
    (folder / f"{picture.name}.png").write_bytes(png)
    element = svg.inline_svg(
        figure, renderer, name=picture.name, alternative=picture.alternative, fonts=fonts
    )
    return Drawing(element, figure.title, figure.subtitle)
