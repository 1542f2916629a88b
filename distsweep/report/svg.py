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
_NUMBER = r"-?\d+\.\d+"
_NO_METADATA: dict[Any, Any] = {"Date": None, "Creator": None, "Format": None, "Type": None}


def figure_svg(figure: Figure) -> str:
    """Whole SVG document of a figure; the same bytes for the same figure."""
    import matplotlib

    buffer = io.BytesIO()
    with matplotlib.rc_context(_SETTINGS):
        figure.savefig(buffer, format="svg", metadata=_NO_METADATA)
    text = buffer.getvalue().decode("utf-8")
    text = re.sub(r"<!DOCTYPE[^>]*>|<!--.*?-->|<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r' d="([^"]*)"', lambda found: f' d="{_short_path(found[1])}"', text)
    return re.sub(r"\n\s*", "\n", _shorter(text))


def inline_svg(document: str, *, name: str, alternative: str) -> str:
    """The ``<svg>`` element for a page: ids made unique by ``name``, and words for the blind."""
    element = _bare_root(document[document.index("<svg") :].strip())
    element = re.sub(r"<style[^>]*>.*?</style>", "", element, flags=re.DOTALL)
    element = re.sub(r' id="', f' id="{name}.', element)
    element = re.sub(r'href="#', f'href="#{name}.', element)
    element = re.sub(r"url\(#", f"url(#{name}.", element)
    label = html.escape(alternative, quote=True)
    return element.replace("<svg", f'<svg role="img" aria-label="{label}"', 1)


def _shorter(text: str) -> str:
    """Leave out what nothing refers to, and digits that nobody can see."""
    used = set(re.findall(r"#([\w.-]+)[\")]", text))
    text = re.sub(r' id="([^"]*)"', lambda found: found[0] if found[1] in used else "", text)
    text = text.replace("DejaVuSans-", "g")
    text = re.sub(r'(<use [^>]*y="[^"]*") style="[^"]*"', r"\1", text)  # ticks: the path has it
    return re.sub(
        r"(translate|rotate)\(([^)]*)\)",
        lambda found: f"{found[1]}({re.sub(_NUMBER, lambda n: _hundredths(n[0]), found[2])})",
        text,
    )


def _bare_root(element: str) -> str:
    """Leave out of the root what only a document of its own needs, and its fixed size."""
    end = element.index(">")
    root = re.sub(r'\s(?:xmlns(?::xlink)?|width|height|version)="[^"]*"', "", element[:end])
    return root + element[end:]


def _short_path(path: str) -> str:
    """The same path as steps, to a hundredth of a point (a printer resolves a seventh).

    Each step joins two rounded places, so that no rounding adds up along the line.
    """
    parts: list[str] = []
    here, last = (0, 0), ""
    for command, numbers in re.findall(r"([MLQCz])([^A-Za-z]*)", path):
        places = [round(float(number) * 100) for number in numbers.split()]
        points = list(zip(places[::2], places[1::2], strict=True))
        if command == "M":
            parts.append(f"M{_decimal(points[0][0])} {_decimal(points[0][1])}")
        elif command == "z":
            parts.append("z")
        else:
            steps = [f"{_decimal(x - here[0])} {_decimal(y - here[1])}" for x, y in points]
            parts.append((" " if command == last else command.lower()) + " ".join(steps))
        here, last = points[-1] if points else here, command
    return "".join(parts).replace(" -", "-")


def _hundredths(number: str) -> str:
    return _decimal(round(float(number) * 100))


def _decimal(hundredths: int) -> str:
    """Write 150 as 1.5, −5 as −.05."""
    text = f"{hundredths / 100:.2f}".rstrip("0").rstrip(".")
    if text in ("-0", "0"):
        return "0"
    return text.replace("0.", ".", 1) if text.lstrip("-").startswith("0.") else text
