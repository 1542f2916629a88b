"""A renderer that draws pixels and SVG at once: a figure is laid out and walked through once."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
from matplotlib.backend_bases import GraphicsContextBase, RendererBase
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.path import Path as Outline
from matplotlib.text import Text
from matplotlib.transforms import Transform

from distsweep.report.svg_renderer import SvgRenderer

_COMPRESSION = 3
"""Of PNG files, 0 to 9. Chosen by measuring: 6, the usual one, takes half as much time again and
saves a thirtieth."""


class BothRenderer(RendererBase):
    """Hands everything on to matplotlib's renderer of pixels, and to ours of SVG.

    But images: no figure of ours holds any, and matplotlib raises where one does.
    """

    def __init__(self, figure: Figure) -> None:
        """Start with an empty picture of the figure's size and resolution."""
        super().__init__()
        width, height = figure.bbox.size
        self.pixels: Any = RendererAgg(width, height, figure.dpi)  # type: ignore[no-untyped-call]
        self.svg = SvgRenderer(self.pixels, dots_per_inch=figure.dpi)

    def get_canvas_width_height(self) -> tuple[float, float]:
        """Return width and height in pixels."""
        return self.svg.get_canvas_width_height()

    def points_to_pixels(self, points: Any) -> Any:
        """Return pixels of points."""
        return self.pixels.points_to_pixels(points)

    def get_text_width_height_descent(self, s: str, prop: FontProperties, ismath: Any) -> Any:
        """Measure text, in pixels."""
        return self.pixels.get_text_width_height_descent(s, prop, ismath)

    def open_group(self, s: str, gid: str | None = None) -> None:
        """Begin what artists draw."""
        self.svg.open_group(s, gid)

    def close_group(self, s: str) -> None:
        """End what artists draw."""
        self.svg.close_group(s)

    def draw_path(
        self, gc: GraphicsContextBase, path: Outline, transform: Transform, rgbFace: Any = None
    ) -> None:
        """Draw an outline."""
        self.pixels.draw_path(gc, path, transform, rgbFace)
        self.svg.draw_path(gc, path, transform, rgbFace)

    def draw_markers(
        self,
        gc: GraphicsContextBase,
        marker_path: Outline,
        marker_trans: Transform,
        path: Outline,
        trans: Transform,
        rgbFace: Any = None,
    ) -> None:
        """Draw a marker at each vertex."""
        self.pixels.draw_markers(gc, marker_path, marker_trans, path, trans, rgbFace)
        self.svg.draw_markers(gc, marker_path, marker_trans, path, trans, rgbFace)

    def draw_path_collection(self, *args: Any, **kwargs: Any) -> None:
        """Draw many outlines."""
        self.pixels.draw_path_collection(*args, **kwargs)
        self.svg.draw_path_collection(*args, **kwargs)

    def draw_quad_mesh(self, *args: Any, **kwargs: Any) -> None:
        """Draw a mesh."""
        self.pixels.draw_quad_mesh(*args, **kwargs)
        self.svg.draw_quad_mesh(*args, **kwargs)

    def draw_text(
        self,
        gc: GraphicsContextBase,
        x: float,
        y: float,
        s: str,
        prop: FontProperties,
        angle: float,
        ismath: Any = False,
        mtext: Text | None = None,
    ) -> None:
        """Draw text."""
        self.pixels.draw_text(gc, x, y, s, prop, angle, ismath, mtext)
        self.svg.draw_text(gc, x, y, s, prop, angle, ismath, mtext)

    def ascent(self, prop: FontProperties) -> float:
        """Height of a line above its baseline, in pixels, as matplotlib lays text out."""
        _, height, descent = self._measured("lp", prop)
        return height - descent

    def write(
        self, text: str, x: float, base: float, *, prop: FontProperties, colour: Any, align: str
    ) -> None:
        """Write one line upright; ``x`` and ``base`` in pixels from the lower left corner.

        For what is written often: it needs no artist that is laid out.
        """
        gc = self.new_gc()
        gc.set_foreground(colour)
        width = self._measured(text, prop)[0]
        left = x - {"center": width / 2.0, "right": width}.get(align, 0.0)
        down = self.svg.height - base
        self.pixels.draw_text(gc, left, down, text, prop, 0.0, False)
        self.svg.write(gc, x, down, text, prop, align=align)
        gc.restore()

    def _measured(self, text: str, prop: FontProperties) -> tuple[float, float, float]:
        """Return width, height and depth of a line in pixels."""
        key = (text, prop.get_size_in_points(), tuple(prop.get_family()), self.pixels.dpi)
        if key not in _MEASURED:
            _MEASURED[key] = self.get_text_width_height_descent(text, prop, False)
        return _MEASURED[key]


_MEASURED: dict[tuple[Any, ...], tuple[float, float, float]] = {}
"""Names of ticks that were measured: the same few in every figure."""


def drawn(figure: Figure, *, dots_per_inch: float) -> BothRenderer:
    """Draw a figure as pixels and SVG, and return the renderer that holds both."""
    before = figure.dpi
    figure.dpi = dots_per_inch
    try:
        renderer = BothRenderer(figure)
        figure.draw(renderer)
    finally:
        figure.dpi = before
    return renderer


def png_bytes(renderer: BothRenderer, *, dots_per_inch: float) -> bytes:
    """Return the pixels as a PNG file that says how large it is meant to be."""
    from PIL import Image

    buffer = io.BytesIO()
    image = Image.fromarray(np.asarray(renderer.pixels.buffer_rgba())[:, :, :3])
    image.save(buffer, format="png", dpi=(dots_per_inch, dots_per_inch),
               compress_level=_COMPRESSION)  # fmt: skip
    return buffer.getvalue()
