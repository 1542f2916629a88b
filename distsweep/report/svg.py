"""A figure as SVG text that is small, the same every time, and fit to stand in a page."""

from __future__ import annotations

import html
import io
import re
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_SETTINGS: dict[Any, Any] = {
    "svg.hashsalt": "distsweep",  # names of clip paths no longer change from run to run
    "svg.fonttype": "path",  # letters as shapes: widths are the same on every machine
    "path.simplify": True,
}
_NO_METADATA: dict[Any, Any] = {"Date": None, "Creator": None, "Format": None, "Type": None}


def figure_svg(figure: Figure) -> str:
    """Whole SVG document of a figure; the same bytes for the same figure."""
    import matplotlib

    buffer = io.BytesIO()
    with matplotlib.rc_context(_SETTINGS):
        figure.savefig(buffer, format="svg", metadata=_NO_METADATA)
    text = buffer.getvalue().decode("utf-8")
    # Six decimals a place, indents, and groups' names that nothing refers to would make the page
    # half as large again.
    text = re.sub(r'(?<= d=")[^"]*', lambda path: short_path(path[0]), text)
    return re.sub(r"<!--.*?-->|(?<=<g) id=\"[^\"]*\"|(?<=\n)\s+", "", text)


def inline_svg(document: str, *, name: str, alternative: str) -> str:
    """The ``<svg>`` element for a page: ids made unique by ``name``, and words for the blind."""
    element = re.sub(r' xmlns(:xlink)?="[^"]*"', "", document[document.index("<svg") :].strip())
    element = re.sub(r'( id="|href="#|url\(#)', rf"\g<1>{name}.", element)
    label = html.escape(alternative, quote=True)
    return element.replace("<svg", f'<svg role="img" aria-label="{label}"', 1)


def short_path(path: str) -> str:
    """Write a path in steps of a hundredth of a point (a printer resolves a seventh).

    Parameters
    ----------
    path
        Moves, lines and curves (M, L, Q, C, z) between absolute places, as matplotlib writes.

    Returns
    -------
    str
        The same path in relative steps. Each joins two rounded places, so no rounding adds up.
    """
    parts: list[str] = []
    here, last = (0, 0), ""
    for command, numbers in re.findall(r"([MLQCz])([^MLQCz]*)", path):
        places = [round(float(number) * 100) for number in numbers.split()]
        points = list(zip(places[::2], places[1::2], strict=True))
        x_0, y_0 = (0, 0) if command == "M" else here  # after z "here" is not the place of the pen
        steps = " ".join(f"{(x - x_0) / 100:g} {(y - y_0) / 100:g}" for x, y in points)
        letter = command if command == "M" else command.lower()
        parts.append(f" {steps}" if command == last == "L" else f"{letter}{steps}")
        here, last = points[-1] if points else here, command
    return "".join(parts).replace(" -", "-")
