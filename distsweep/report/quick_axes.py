"""Axes whose ticks are drawn together: matplotlib makes five artists for each, and asks each twice.

For files only. Elsewhere, in a notebook or on a screen, they are matplotlib's own axes, whose ticks
may be taken and changed one by one; `tick_params`, locators, formatters and `grid` serve both.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.axis import Axis, XAxis, YAxis
from matplotlib.font_manager import FontProperties
from matplotlib.path import Path as Outline
from matplotlib.transforms import IdentityTransform

from distsweep.report import palette
from distsweep.units import FloatArray

_SIDES = {"x": ("bottom", "top"), "y": ("left", "right")}


_ALIGNED = {"bottom": "center", "top": "center", "left": "right", "right": "left"}


class QuickAxes(Axes):
    """Axes whose two axis objects draw their ticks at once into files."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        """Make axes whose spines stand at their edges: else ticks that are made would see to it."""
        super().__init__(*args, **kwargs)
        for spine in self.spines.values():
            spine.set_position(("outward", 0.0))

    def _init_axis(self) -> None:  # as matplotlib's own example of a custom projection does
        self.xaxis = _QuickX(self, clear=False)
        self.yaxis = _QuickY(self, clear=False)
        for side in ("bottom", "top"):
            self.spines[side].register_axis(self.xaxis)
        for side in ("left", "right"):
            self.spines[side].register_axis(self.yaxis)


class _Quick(Axis):
    """An axis that draws its ticks at once into files, and then makes no artists for them."""

    def draw(self, renderer: Any) -> None:
        """Draw grid, ticks and names."""
        if hasattr(renderer, "svg"):
            _draw_axis(self, renderer)
        else:
            super().draw(renderer)

    def reset_ticks(self) -> None:
        """Begin without ticks where they are for files, else with the first one."""
        if palette.now().for_files:
            self.majorTicks: list[Any] = []
            self.minorTicks: list[Any] = []
        else:
            super().reset_ticks()


class _QuickX(_Quick, XAxis):
    pass


class _QuickY(_Quick, YAxis):
    pass


def _settings() -> Any:
    return matplotlib.rcParams  # whose type knows no keys that are put together


def _draw_axis(axis: Any, renderer: Any) -> None:
    if not axis.get_visible():
        return
    major, minor = (_inside(axis, places) for places in
                    (axis.get_majorticklocs(), axis.get_minorticklocs()))  # fmt: skip
    for which, places in (("minor", minor), ("major", major)):
        if places.size:
            _draw_grid_and_marks(axis, renderer, which, places)
    if major.size:
        _draw_names(axis, renderer, major)
    axis.label.draw(renderer)
    axis.stale = False


def _inside(axis: Any, places: Any) -> FloatArray:
    low, high = sorted(axis.get_view_interval())
    places = np.asarray(places, dtype=float)
    spare = 1e-6 * (high - low)
    return np.asarray(places[(places >= low - spare) & (places <= high + spare)])


def _pixels(axis: Any, places: FloatArray) -> FloatArray:
    """Return where places stand along the axis, in pixels."""
    column = 0 if axis.axis_name == "x" else 1
    points = np.zeros((places.size, 2))
    points[:, column] = places
    transform = axis.axes.get_xaxis_transform() if column == 0 else axis.axes.get_yaxis_transform()
    return np.asarray(transform.transform(points)[:, column])


def _draw_grid_and_marks(axis: Any, renderer: Any, which: str, places: FloatArray) -> None:
    settings, rc, name = axis.get_tick_params(which), _settings(), axis.axis_name
    along, box = _pixels(axis, places), axis.axes.bbox
    ends = (box.y0, box.y1) if name == "x" else (box.x0, box.x1)
    if settings.get("gridOn"):
        colour = settings.get("grid_color", rc["grid.color"])
        width = settings.get("grid_linewidth", rc["grid.linewidth"])
        _draw_strokes(axis, renderer, along, ends, colour, width, gid="grid")
    length = settings.get("length", rc[f"{name}tick.{which}.size"])
    reach = renderer.points_to_pixels(length)
    colour = settings.get("color", rc[f"{name}tick.color"])
    width = settings.get("width", rc[f"{name}tick.{which}.width"])
    for side, edge, sign in zip(_SIDES[name], ends, (-1.0, 1.0), strict=True):
        if _shows(settings, side) and reach:
            _draw_strokes(axis, renderer, along, (edge, edge + sign * reach), colour, width)


def _shows(settings: Mapping[str, Any], side: str, *, of: str = "") -> bool:
    """Tell whether marks, or labels, stand at a side.

    matplotlib up to 3.8 says "left" and "right" of both axes.
    """
    former = {"bottom": "left", "top": "right"}.get(side, side)
    return bool(settings.get(f"{of}{side}", settings.get(f"{of}{former}")))


def _draw_strokes(
    axis: Any,
    renderer: Any,
    along: FloatArray,
    ends: tuple[float, float],
    colour: Any,
    width: float,
    *,
    gid: str | None = None,
) -> None:
    """Draw a stroke across the axis at each place, all as one outline."""
    vertices = np.empty((2 * along.size, 2))
    column = 0 if axis.axis_name == "x" else 1
    vertices[:, column] = np.repeat(along, 2)
    vertices[:, 1 - column] = np.tile(ends, along.size)
    codes = np.tile([Outline.MOVETO, Outline.LINETO], along.size)
    gc = renderer.new_gc()
    gc.set_foreground(colour)
    gc.set_linewidth(width)
    gc.set_capstyle("butt")
    gc.set_snap(True)
    renderer.open_group("strokes", gid)
    renderer.draw_path(gc, Outline(vertices, codes), IdentityTransform())
    renderer.close_group("strokes")
    gc.restore()


def _draw_names(axis: Any, renderer: Any, places: FloatArray) -> None:
    settings, name = axis.get_tick_params("major"), axis.axis_name
    names = axis.get_major_formatter().format_ticks(places)
    box, along = axis.axes.bbox, _pixels(axis, places)
    ends = (box.y0, box.y1) if name == "x" else (box.x0, box.x1)
    for side, edge, sign in zip(_SIDES[name], ends, (-1.0, 1.0), strict=True):
        if not _shows(settings, side, of="label"):
            continue
        away = edge + sign * renderer.points_to_pixels(_away_points(settings, name))
        prop, colour = _font(axis, settings)
        ascent = renderer.ascent(prop)
        for place, words in zip(along, names, strict=True):
            x, y = (place, away) if name == "x" else (away, place)
            base = y - {"bottom": ascent, "top": 0.0}.get(side, ascent / 2.0)
            renderer.write(words, x, base, prop=prop, colour=colour, align=_ALIGNED[side])


def _away_points(settings: Mapping[str, Any], name: str) -> float:
    rc = _settings()
    length = settings.get("length", rc[f"{name}tick.major.size"])
    return float(length + settings.get("pad", rc[f"{name}tick.major.pad"]))


def _font(axis: Any, settings: Mapping[str, Any]) -> tuple[FontProperties, Any]:
    """Return font and colour of names."""
    rc, name = _settings(), axis.axis_name
    colour = settings.get("labelcolor", rc[f"{name}tick.labelcolor"])
    if colour == "inherit":
        colour = settings.get("color", rc[f"{name}tick.color"])
    return FontProperties(size=settings.get("labelsize", rc[f"{name}tick.labelsize"])), colour
