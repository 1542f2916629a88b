"""What stands at the foot of a figure's file: which loudspeaker, where, how, when, by whom.

A file of a figure is passed on without its page. The page says the same in its own words, and shows
the figure without its foot.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from distsweep.report.logo import SVG_TYPE, data_address, logo_bytes, media_type
from distsweep.report.style import DEFAULT_STYLE, Style
from distsweep.report.svg_path import places
from distsweep.results import AXIS, Results

if TYPE_CHECKING:
    from distsweep.report.both_renderer import BothRenderer
    from distsweep.report.report_figure import ReportFigure

_SIZE, _LINE_IN, _MARGIN_IN, _SIDE_IN = 6.5, 0.13, 0.11, 0.12
_LETTER = 0.60  # mean width re the size of letters, of DejaVu Sans in running text, rounded up
_LOGO_IN = (1.3, 0.30)  # most width, and height


@dataclass(frozen=True)
class Stamp:
    """Lines at the foot, and the path of a logo."""

    lines: tuple[str, ...] = ()
    logo: str | None = None

    @property
    def height_in(self) -> float:
        """Room at the figure's foot."""
        text_in = len(self.lines) * _LINE_IN
        needed = max(text_in, _LOGO_IN[1] if self.logo else 0.0)
        return needed + _MARGIN_IN if needed else 0.0


def stamp(results: Results, position: str, style: Style = DEFAULT_STYLE) -> Stamp:
    """Return what stands on a figure of a take at ``position`` ("": of several)."""
    parts = [str(results.device.name or "").strip() or "Unnamed loudspeaker"]
    if position:
        parts.append(f"at {position}")
    conditions = results.conditions
    distance_m = results.distance_m_at(position or AXIS)
    if distance_m is not None:
        parts.append(f"{distance_m:g} m")
    if conditions.temperature_c is not None:
        parts.append(f"{conditions.temperature_c:g} °C")
    parts.append(_date(results))
    return stamp_of(parts, style)


def stamp_of(parts: Sequence[str], style: Style = DEFAULT_STYLE) -> Stamp:
    """Return parts joined to lines that fit a figure's width, with the style's line and logo."""
    logo_in = _LOGO_IN[0] + _SIDE_IN if style.logo else 0.0
    room_in = style.width_in - 2.0 * _SIDE_IN - logo_in
    most = int(room_in * 72.0 / (_SIZE * _LETTER))
    lines = _wrapped([" ".join(part.split()) for part in parts if part], most)
    return Stamp((*lines, *([style.line] if style.line else [])), style.logo)


def _date(results: Results) -> str:
    """Return the date that was noted; else that of the analysis, and that it is that."""
    noted = results.conditions.get("date")
    if noted is not None and str(noted).strip():
        return str(noted).strip()
    return f"analysed {results.provenance.created[:10]}" if results.provenance else ""


def _wrapped(parts: Sequence[str], most: int) -> list[str]:
    """Join parts to lines of so many letters; a longer part is cut off."""
    lines: list[str] = []
    for part in parts:
        short = part if len(part) <= most else f"{part[: most - 1]}…"
        if lines and len(lines[-1]) + 3 + len(short) <= most:
            lines[-1] += f" · {short}"
        else:
            lines.append(short)
    return lines


def write_stamp(figure: ReportFigure, what: Stamp, colour: str) -> None:
    """Write the lines into the room at the figure's foot."""
    width, height = figure.get_size_inches()
    for row, line in enumerate(reversed(what.lines)):
        y = (_MARGIN_IN / 2.0 + 0.02 + row * _LINE_IN) / height
        figure.text(_SIDE_IN / width, y, line, fontsize=_SIZE, color=colour, gid="stamp")


def add_logo(renderer: BothRenderer, what: Stamp) -> None:
    """Put the logo at the right of the foot, of both pixels and SVG.

    An SVG logo stands in the SVG only: nothing here turns it into pixels.
    """
    if what.logo is None:
        return
    inch = float(renderer.points_to_pixels(72.0))
    width, height = renderer.get_canvas_width_height()
    right, bottom = width - _SIDE_IN * inch, height - _MARGIN_IN / 2.0 * inch
    box = (right - _LOGO_IN[0] * inch, bottom - _LOGO_IN[1] * inch, right, bottom)
    points = [places(72.0 / inch * edge) for edge in
              (box[0], box[1], box[2] - box[0], box[3] - box[1])]  # fmt: skip
    renderer.svg.open_group("stamp", "stamp")
    renderer.svg.add(
        f'<image x="{points[0]}" y="{points[1]}" width="{points[2]}" height="{points[3]}"'
        f' preserveAspectRatio="xMaxYMid" href="{data_address(what.logo)}"/>'
    )
    renderer.svg.close_group("stamp")
    if media_type(logo_bytes(what.logo)) != SVG_TYPE:
        _paste(renderer, what.logo, box)


def _paste(renderer: BothRenderer, logo: str, box: Sequence[float]) -> None:
    """Lay the logo's pixels over what was drawn, as large as the box allows, at its right."""
    import numpy as np
    from PIL import Image

    pixels: Any = np.asarray(renderer.pixels.buffer_rgba())
    with Image.open(io.BytesIO(logo_bytes(logo))) as image:
        share = min((box[2] - box[0]) / image.width, (box[3] - box[1]) / image.height)
        size = (max(1, round(image.width * share)), max(1, round(image.height * share)))
        small: Any = np.asarray(image.convert("RGBA").resize(size), dtype=float)
    left = round(box[2]) - size[0]
    top = round((box[1] + box[3] - size[1]) / 2.0)
    under = pixels[top : top + size[1], left : left + size[0], :3]
    opacity = small[:, :, 3:] / 255.0
    under[:] = np.rint(opacity * small[:, :, :3] + (1.0 - opacity) * under)
