"""Figures as SVG: whole documents for files, and elements that stand in a page."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from distsweep.report.dark import dark_colour

if TYPE_CHECKING:
    from distsweep.report.both_renderer import BothRenderer
    from distsweep.report.report_figure import ReportFigure

PHONE_TEXT_PX = 13.8
"""Size of all text in figures on small screens, in the SVG's units (points), for a rule like
``@media (max-width: 40rem) { figure svg text { font-size: 13.8px } }``. A figure 7 inches (504
points) wide that is shown in 331 pixels, on a screen of 360, then has letters of 9.06 pixels."""

_COLOUR = re.compile(r'(?<==")#([0-9a-f]{6})(?=")')
_VARIABLE = re.compile(r"var\(--c-([0-9a-f]{6})\)")


def figure_svg(figure: ReportFigure, *, fonts: str = "sans-serif") -> str:
    """Whole SVG document of a figure, drawn for it alone."""
    from distsweep.report.both_renderer import drawn

    return document(drawn(figure, dots_per_inch=72.0), fonts=fonts)


def document(renderer: BothRenderer, *, fonts: str) -> str:
    """Whole SVG document of a drawn figure; the same bytes for the same figure.

    ``fonts`` is a CSS list of font families.
    """
    svg = renderer.svg
    width, height = (_points(renderer, side) for side in (svg.width, svg.height))
    return (
        '<?xml version="1.0" encoding="utf-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}pt" height="{height:g}pt"'
        f' viewBox="0 0 {width:g} {height:g}" font-family="{html.escape(fonts, quote=True)}"'
        f">\n<defs>{svg.definitions}</defs>\n"
        + "\n".join(part for _, part in svg.parts)
        + "\n</svg>\n"
    )


def inline_svg(
    figure: ReportFigure, renderer: BothRenderer, *, name: str, alternative: str, fonts: str
) -> str:
    """The ``<svg>`` element for a page, without title and stamp.

    Its ids begin with ``name``; ``data-frames`` lists the axes that a cursor can read; colours
    are variables that `colour_rules` defines.
    """
    svg = renderer.svg
    width, height = (_points(renderer, side) for side in (svg.width, svg.height))
    top, foot = 72.0 * figure.head_in, 72.0 * figure.foot_in
    frames = html.escape(json.dumps(frames_of(figure, renderer)), quote=True)
    label = html.escape(alternative, quote=True)
    body = f"<defs>{svg.definitions}</defs>" + "".join(part for kept, part in svg.parts if kept)
    body = re.sub(r'( id="|url\(#)', rf"\g<1>{name}.", body)
    body = _COLOUR.sub(r"var(--c-\1)", body)
    return (
        f'<svg role="img" aria-label="{label}" viewBox="0 {top:g} {width:g}'
        f' {height - top - foot:g}" font-family="{html.escape(fonts, quote=True)}"'
        f' data-frames="{frames}">{body}</svg>'
    )


def frames_of(figure: ReportFigure, renderer: BothRenderer) -> list[dict[str, Any]]:
    """Axes that were named by `look.reads`: what runs across, their box, and its ends.

    The box is left, top, right, bottom in the SVG's units.
    """
    found = []
    for axes in figure.axes:
        kind, _, quantity = (axes.get_gid() or "").partition(".")
        if kind != "x" or not quantity:
            continue
        # Figures have their own resolution; the box in inches is the same.
        left, bottom, right, top = axes.get_position().extents
        width, height = (72.0 * float(side) for side in figure.get_size_inches())
        box = (left * width, (1.0 - top) * height, right * width, (1.0 - bottom) * height)
        found.append(
            {
                "x": quantity,
                "log": axes.get_xscale() == "log",
                "box": [round(float(edge), 2) for edge in box],
                "ends": [float(f"{end:.7g}") for end in axes.get_xlim()],
            }
        )
    return found


def colour_rules(elements: Iterable[str], *, theme: str = "both") -> str:
    """CSS that defines the colours of inline SVG for light and dark, and light in print.

    Parameters
    ----------
    elements
        What `inline_svg` returned, or anything that names colours as ``var(--c-rrggbb)``.
    theme
        "light", "dark", or "both": as the reader's screen is set.
    """
    names = sorted({name for element in elements for name in _VARIABLE.findall(element)})
    light = "".join(f"--c-{name}:#{name};" for name in names)
    dark = "".join(f"--c-{n}:{dark_colour(f'#{n}')};" for n in names)
    rules = f":root{{{light}}}"
    if theme == "light":
        return rules
    screen = "screen" if theme == "dark" else "screen and (prefers-color-scheme:dark)"
    return f"{rules}\n@media {screen}{{:root{{{dark}}}}}"


def _points(renderer: BothRenderer, pixels: float) -> float:
    return round(pixels * 72.0 / float(renderer.points_to_pixels(72.0)), 3)
