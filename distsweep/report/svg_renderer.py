"""A matplotlib renderer that writes SVG: text as text, short paths, groups that a page can use.

matplotlib's own writes six decimals a place and draws text with a rim as shapes; and it draws at
72 dots an inch only, so that a figure has to be laid out again for each file.
"""

from __future__ import annotations

import html
import math
import re
from collections.abc import Callable
from typing import Any

import numpy as np
from matplotlib.backend_bases import GraphicsContextBase, RendererBase
from matplotlib.colors import to_hex
from matplotlib.font_manager import FontProperties
from matplotlib.path import Path as Outline
from matplotlib.text import Text
from matplotlib.transforms import Affine2D, Transform

from distsweep.report.report_figure import TagText
from distsweep.report.svg_path import ShortPath, places, short_path

_HATCH_POINTS = 72.0
"""A tile of a hatch, as in matplotlib's own SVG, so that hatches look alike in both files."""

_PAGE_LEAVES_OUT = ("heading", "stamp")
"""Groups that only the file of a figure has."""

_ANCHORS = {"center": ' text-anchor="middle"', "right": ' text-anchor="end"'}
_CAPS = {"projecting": "square"}  # SVG's word for it

_NOT_IN_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Characters that no XML document may hold (XML 1.0, production 2, "Char"); names that people give
hold them now and then."""

_CLASSES = ("fine", "floor", "grid", *_PAGE_LEAVES_OUT)


class SvgRenderer(RendererBase):
    """Writes what a figure draws, at any resolution, in points.

    ``measure`` is the renderer that measures text, and whose pixels the places are given in.
    ``parts`` are the elements in order, each with whether a page shows it.
    """

    def __init__(self, measure: Any, *, dots_per_inch: float) -> None:
        """Start with nothing; ``measure`` is a `RendererAgg`, which has no types."""
        super().__init__()
        self._measure = measure
        self._scale = 72.0 / dots_per_inch  # points a pixel
        self.width, self.height = (float(size) for size in measure.get_canvas_width_height())
        self.parts: list[tuple[bool, str]] = []
        self._definitions: dict[str, str] = {}
        self._groups: list[str] = []
        self._kept_out = 0

    # What matplotlib asks of a renderer.

    def get_canvas_width_height(self) -> tuple[float, float]:
        """Return width and height in pixels."""
        return self.width, self.height

    def points_to_pixels(self, points: Any) -> Any:
        """Return pixels of points."""
        return self._measure.points_to_pixels(points)

    def get_text_width_height_descent(self, s: str, prop: FontProperties, ismath: Any) -> Any:
        """Measure text, in pixels."""
        return self._measure.get_text_width_height_descent(s, prop, ismath)

    def open_group(self, s: str, gid: str | None = None) -> None:
        """Begin what artists draw; a group where their gid means something to the page."""
        kind, _, key = (gid or "").partition(".")
        start = ""
        if kind == "curve" and key:
            start = f'<g class="curve" data-key="{html.escape(key, quote=True)}">'
        elif kind in _CLASSES:
            start = f'<g class="{kind}">'
        self._kept_out += kind in _PAGE_LEAVES_OUT
        if start:
            self.add(start)
        self._groups.append(kind if start else "")

    def close_group(self, s: str) -> None:
        """End what artists draw."""
        kind = self._groups.pop()
        if kind:
            self.add("</g>")
        self._kept_out -= kind in _PAGE_LEAVES_OUT

    def draw_path(
        self, gc: GraphicsContextBase, path: Outline, transform: Transform, rgbFace: Any = None
    ) -> None:
        """Write an outline, without what lies outside its axes where it is not filled."""
        filled = rgbFace is not None or gc.get_hatch() is not None
        rectangle = gc.get_clip_rectangle()
        clip = None if filled or rectangle is None else tuple(rectangle.extents)
        cleaned = path.cleaned(
            transform + self._to_points, remove_nans=True, simplify=path.should_simplify,
            curves=True, clip=None if clip is None else self._clip_points(clip),
        )  # fmt: skip
        # Of a cleaned path the last code says stop.
        outline = short_path(
            cleaned.vertices[:-1], cleaned.codes[:-1],  # type: ignore[index]
            coarse=gc.get_hatch() is not None,
        )  # fmt: skip
        if outline.d:
            self.add(
                f'<path d="{outline.d}"{outline.attribute}'
                f"{self._style(gc, rgbFace, outline.scale)}{self._clip(gc, outline)}/>"
            )

    def draw_markers(
        self,
        gc: GraphicsContextBase,
        marker_path: Outline,
        marker_trans: Transform,
        path: Outline,
        trans: Transform,
        rgbFace: Any = None,
    ) -> None:
        """Write all markers as one path."""
        flip = Affine2D().scale(self._scale, -self._scale)
        shape = np.asarray(marker_path.transformed(marker_trans + flip).vertices)
        codes = marker_path.codes
        if codes is None:
            codes = np.full(len(shape), Outline.LINETO)
            codes[0] = Outline.MOVETO
        spots = np.asarray(path.transformed(trans + self._to_points).vertices)
        spots = spots[np.all(np.isfinite(spots), axis=1)]
        if not len(spots):
            return
        vertices = (spots[:, None, :] + shape[None, :, :]).reshape(-1, 2)
        outline = short_path(vertices, np.tile(codes, len(spots)))
        self.add(
            f'<path d="{outline.d}"{outline.attribute}'
            f"{self._style(gc, rgbFace, outline.scale)}{self._clip(gc, outline)}/>"
        )

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
        """Write text, at its own anchor."""
        align = "left"
        if mtext is not None and (angle == 0 or mtext.get_rotation_mode() == "anchor"):
            x, y = self._anchored(x, y, angle, mtext)
            align = mtext.get_horizontalalignment()
        rim = ""
        if isinstance(mtext, TagText):
            rim = (
                f' class="tag" stroke="{mtext.rim_colour}" stroke-linejoin="round"'
                f' stroke-width="{places(mtext.rim_points)}" paint-order="stroke"'
            )
        self.write(gc, x, y, s, prop, align=align, angle=angle, more=rim)

    def write(
        self,
        gc: GraphicsContextBase,
        x: float,
        y: float,
        text: str,
        prop: FontProperties,
        *,
        align: str,
        angle: float = 0.0,
        more: str = "",
    ) -> None:
        """Write a line whose baseline is at ``y``, aligned at ``x``, in pixels from the top left.

        So letters of another width or size, of another font, stay where they belong.
        """
        left, base = places(x * self._scale), places(y * self._scale)
        attributes = f' x="{left}" y="{base}" font-size="{places(prop.get_size_in_points())}"'
        attributes += f' fill="{to_hex(gc.get_rgb())}"{_ANCHORS.get(align, "")}'
        if prop.get_weight() in ("bold", "semibold", 600, 700):
            attributes += ' font-weight="700"'
        if angle:
            attributes += f' transform="rotate({places(-angle)} {left} {base})"'
        shown = html.escape(_NOT_IN_XML.sub("\N{REPLACEMENT CHARACTER}", text), quote=False)
        self.add(f"<text{attributes}{more}>{shown}</text>")

    # How it is written.

    @property
    def definitions(self) -> str:
        """Elements that others refer to by id."""
        return "".join(self._definitions.values())

    @property
    def _to_points(self) -> Affine2D:
        return Affine2D().translate(0.0, -self.height).scale(self._scale, -self._scale)

    def _clip_points(self, extents: tuple[float, ...]) -> tuple[float, float, float, float]:
        """Return a rectangle in points, wider by a line's width, for what may be left away."""
        left, bottom, right, top = extents
        spare = 6.0
        return (
            left * self._scale - spare, (self.height - top) * self._scale - spare,
            right * self._scale + spare, (self.height - bottom) * self._scale + spare,
        )  # fmt: skip

    def add(self, element: str) -> None:
        """Add an element to what is open."""
        self.parts.append((not self._kept_out, element))

    def _anchored(self, x: float, y: float, angle: float, text: Text) -> tuple[float, float]:
        """Return the place of a text's own anchor on its baseline."""
        anchor_x, anchor_y = text.get_transform().transform(text.get_unitless_position())
        anchor_y = self.height - anchor_y
        turn = math.radians(angle)
        across = (math.sin(turn), math.cos(turn))
        offset = across[0] * (x - anchor_x) + across[1] * (y - anchor_y)
        return anchor_x + offset * across[0], anchor_y + offset * across[1]

    def _style(self, gc: GraphicsContextBase, face: Any, scale: float) -> str:
        alpha = gc.get_alpha() if gc.get_forced_alpha() else None
        style = self._filled(gc, face, alpha)
        width = gc.get_linewidth()
        rgba = gc.get_rgb()
        if width <= 0.0 or rgba[3] == 0.0:
            return style
        style += f' stroke="{to_hex(rgba)}"'
        if width * scale != 1.0:
            style += f' stroke-width="{places(width * scale)}"'
        opacity = alpha if alpha is not None else rgba[3]
        if opacity != 1.0:
            style += f' stroke-opacity="{places(opacity)}"'
        join, cap = gc.get_joinstyle(), gc.get_capstyle()
        style += "" if join == "miter" else f' stroke-linejoin="{join}"'
        style += "" if cap == "butt" else f' stroke-linecap="{_CAPS.get(cap, cap)}"'
        offset, dashes = gc.get_dashes()
        if dashes is not None:
            lengths = " ".join(places(float(dash) * scale) for dash in np.atleast_1d(dashes))
            style += f' stroke-dasharray="{lengths}"'
            style += f' stroke-dashoffset="{places(offset * scale)}"' if offset else ""
        return style

    def _filled(self, gc: GraphicsContextBase, face: Any, alpha: float | None) -> str:
        if gc.get_hatch() is not None:
            return f' fill="url(#{self._hatch(gc, face)})"'
        if face is None:
            return ' fill="none"'
        style = f' fill="{to_hex(face)}"'
        opacity = alpha if alpha is not None else (face[3] if len(face) == 4 else 1.0)
        return style if opacity == 1.0 else f'{style} fill-opacity="{places(opacity)}"'

    def _hatch(self, gc: GraphicsContextBase, face: Any) -> str:
        colour = to_hex(gc.get_hatch_color())
        paper = None if face is None or (len(face) == 4 and face[3] == 0.0) else to_hex(face)

        def pattern(name: str) -> str:
            lines = gc.get_hatch_path()
            assert lines is not None  # there is a hatch
            flip = Affine2D().scale(_HATCH_POINTS, -_HATCH_POINTS).translate(0.0, _HATCH_POINTS)
            shape = lines.transformed(flip)
            outline = short_path(shape.vertices, shape.codes, coarse=True)
            ground = (
                ""
                if paper is None
                else (
                    f'<rect width="{_HATCH_POINTS:g}" height="{_HATCH_POINTS:g}" fill="{paper}"/>'
                )
            )
            return (
                f'<pattern id="{name}" patternUnits="userSpaceOnUse" width="{_HATCH_POINTS:g}"'
                f' height="{_HATCH_POINTS:g}">{ground}<path d="{outline.d}" fill="{colour}"'
                f' stroke="{colour}" stroke-width="{places(gc.get_hatch_linewidth())}"/></pattern>'
            )

        return self._defined(f"hatch {gc.get_hatch()} {colour} {paper}", "hatch", pattern)

    def _clip(self, gc: GraphicsContextBase, outline: ShortPath) -> str:
        """Return the attribute that cuts an element off; nothing where it lies inside anyway.

        What it refers to is read in the element's own units.
        """
        rectangle = gc.get_clip_rectangle()
        if rectangle is None:
            return ""
        left, right = rectangle.x0 * self._scale, rectangle.x1 * self._scale
        top = (self.height - rectangle.y1) * self._scale
        bottom = (self.height - rectangle.y0) * self._scale
        box = outline.box
        if box[0] >= left and box[1] >= top and box[2] <= right and box[3] <= bottom:
            return ""
        sides = (left, top, right - left, bottom - top)
        edges = tuple(places(side * outline.scale) for side in sides)
        name = self._defined(
            f"clip {edges}",
            "clip",
            lambda name: (
                f'<clipPath id="{name}"><rect x="{edges[0]}" y="{edges[1]}" width="{edges[2]}"'
                f' height="{edges[3]}"/></clipPath>'
            ),
        )
        return f' clip-path="url(#{name})"'

    def _defined(self, key: str, kind: str, write: Callable[[str], str]) -> str:
        """Return the id of what is defined once, and define it where it is new."""
        names = list(self._definitions)
        if key not in names:
            self._definitions[key] = write(f"{kind}-{len(names) + 1}")
            names.append(key)
        return f"{kind}-{names.index(key) + 1}"
