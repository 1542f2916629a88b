"""Outlines as SVG path data, short."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from distsweep.units import FloatArray

STEPS_A_POINT = 40
"""Places are rounded to a fortieth of a point: shown 930 pixels wide, the most that a page shows,
a figure of 7 inches has 3.7 device pixels a point where a screen has two a CSS pixel, so that this
is a tenth of one. (A printer of 1200 dots an inch resolves a sixteenth of a point.)"""

_LONG = 60
"""From so many vertices on, a path is written in whole steps and scaled, which saves points and
noughts (chosen: the attribute for it takes about as much as they do in twenty vertices)."""

_MOVE, _LINE, _QUADRATIC, _CUBIC, _CLOSE = 1, 2, 3, 4, 79  # matplotlib.path.Path's codes
_VERTICES = {_QUADRATIC: 2, _CUBIC: 3}
_LETTERS = {_QUADRATIC: "q", _CUBIC: "c"}


@dataclass(frozen=True)
class ShortPath:
    """Path data, the ``transform`` attribute that goes with it, and what it multiplies widths by.

    ``box`` is left, top, right, bottom of all vertices, in points.
    """

    d: str
    attribute: str
    scale: float
    box: tuple[float, float, float, float]


def short_path(vertices: Any, codes: Any, *, coarse: bool = False) -> ShortPath:
    """Write an outline in relative steps, each between rounded places, so that none adds up.

    Parameters
    ----------
    vertices
        Places in points, shape ``(N, 2)``, y downwards.
    codes
        matplotlib's code of each vertex, ``(N,)``: MOVETO, LINETO, CURVE3, CURVE4, CLOSEPOLY; None
        for a line through all.
    coarse
        Write decimals whatever the length, where no ``transform`` is wanted.
    """
    if not len(vertices):
        return ShortPath("", "", 1.0, (0.0, 0.0, 0.0, 0.0))
    if codes is None:
        codes = np.full(len(vertices), _LINE)
        codes[0] = _MOVE
    scaled = len(vertices) >= _LONG and not coarse
    whole: FloatArray = np.rint(np.asarray(vertices, dtype=float) * STEPS_A_POINT)
    drawn = whole[np.asarray(codes) != _CLOSE]
    low, high = drawn.min(axis=0) / STEPS_A_POINT, drawn.max(axis=0) / STEPS_A_POINT
    box = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    d = _written(whole, np.asarray(codes), 1 if scaled else STEPS_A_POINT)
    attribute = f' transform="scale({1 / STEPS_A_POINT:g})"' if scaled else ""
    return ShortPath(d, attribute, STEPS_A_POINT if scaled else 1.0, box)


def _written(whole: FloatArray, codes: Any, divisor: int) -> str:
    parts: list[str] = []
    write = str if divisor == 1 else _point_text
    steps = np.diff(whole, axis=0, prepend=whole[:1]).astype(int).tolist()
    starts = (np.flatnonzero(codes[1:] != codes[:-1]) + 1).tolist()  # of runs of one code
    kinds = codes[[0, *starts]].tolist()
    for code, start, end in zip(kinds, [0, *starts], [*starts, len(codes)], strict=True):
        if code == _CLOSE:
            parts.append("z")
        elif code == _MOVE:  # the last of several counts
            x, y = whole[end - 1].astype(int).tolist()
            parts.append(f"M{write(x)} {write(y)}")
        elif code == _LINE:
            numbers = [write(step) for pair in steps[start:end] for step in pair]
            parts.append("l" + " ".join(numbers))
        else:  # each point of a curve counts from where the curve starts
            curves = whole[start:end].reshape(-1, _VERTICES[code], 2)
            from_here = np.concatenate((whole[start - 1 : start], curves[:-1, -1]))
            away = (curves - from_here[:, None, :]).astype(int).ravel().tolist()
            parts.append(_LETTERS[code] + " ".join(map(write, away)))
    return "".join(parts).replace(" -", "-")


@lru_cache(maxsize=1 << 16)
def _point_text(steps: int) -> str:
    """Write so many steps in points."""
    return places(steps / STEPS_A_POINT)


def places(number: float) -> str:
    """Write a number with at most three decimals, as short as it goes."""
    text = f"{number:.3f}".rstrip("0").rstrip(".")
    if text in ("-0", ""):
        return "0"
    return text.replace("0.", ".", 1) if text.startswith(("0.", "-0.")) else text
