"""Where to write a line's name: on the line, as far from the other lines as it goes."""

from __future__ import annotations

import numpy as np

from distsweep.units import BoolArray, FloatArray

_LEAST_DRAWN = 0.7  # a tag on a lone scrap of a line would hide it
_CANDIDATES = 60  # enough to find a gap, few enough to cost nothing


def place_tags(
    x: FloatArray,
    lines: list[FloatArray],
    *,
    size: tuple[float, float],
    box: tuple[float, float] = (1.0, 1.0),
) -> list[int | None]:
    """Choose for each line the point where its tag reads best.

    Parameters
    ----------
    x
        Places along the axis, in the unit of ``box``; shape ``(F,)``.
    lines
        Heights of each line in the same unit, NaN where nothing is drawn; each ``(F,)``.
    size
        Width and height of a tag.
    box
        Width and height of the axes.

    Returns
    -------
    list
        Index into ``x`` for each line, None where a line has no stretch long enough inside the box.
    """
    stack = np.array(lines, dtype=float).reshape(len(lines), x.size)
    candidates = np.unique(np.linspace(0, x.size - 1, _CANDIDATES).astype(int))
    placed: list[tuple[float, float]] = []
    chosen: list[int | None] = []
    for line in range(len(lines)):
        best: tuple[float, int] | None = None
        for index in candidates:
            y = stack[line, index]
            if not _fits(x[index], y, size, box):
                continue
            near = np.asarray(np.abs(x - x[index]) <= size[0] * 0.6, dtype=bool)
            if np.mean(np.isfinite(stack[line, near])) < _LEAST_DRAWN:
                continue
            score = _clearance(stack, line, near, y, size[1])
            score += _away_from(placed, float(x[index]), y, size)
            if best is None or score > best[0]:
                best = (score, int(index))
        chosen.append(best[1] if best else None)
        if best:
            placed.append((float(x[best[1]]), float(stack[line, best[1]])))
    return chosen


def _fits(x: float, y: float, size: tuple[float, float], box: tuple[float, float]) -> bool:
    return bool(
        np.isfinite(y)
        and size[0] * 0.6 <= x <= box[0] - size[0] * 0.6
        and size[1] * 0.6 <= y <= box[1] - size[1] * 0.6
    )


def _clearance(stack: FloatArray, line: int, near: BoolArray, y: float, height: float) -> float:
    """Room to the other lines in tag heights, at most 2; less where the line itself is steep."""
    own = stack[line, near]
    own = own[np.isfinite(own)]
    steepness = float(np.ptp(own)) / height
    others = np.delete(stack, line, axis=0)[:, near]
    gaps = np.abs(others[np.isfinite(others)] - y)
    room = float(gaps.min()) / height if gaps.size else 2.0
    return min(room, 2.0) - 0.4 * min(steepness, 3.0)


def _away_from(
    placed: list[tuple[float, float]], x: float, y: float, size: tuple[float, float]
) -> float:
    """A heavy penalty for lying on another tag."""
    clash = any(abs(x - a) < size[0] * 1.1 and abs(y - b) < size[1] * 1.1 for a, b in placed)
    return -10.0 if clash else 0.0
