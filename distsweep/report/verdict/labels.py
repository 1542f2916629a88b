"""Words on the verdict's figure: on each area what it is, on each resonance its frequency."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from distsweep.flag_runs import runs_of
from distsweep.report import look
from distsweep.report.verdict.shown import LOUDEST, CleanArea, Shown
from distsweep.results import Resonance
from distsweep.units import BoolArray, FloatArray
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes

TEXT_POINTS = 13.0
"""Size of the figure's text (chosen: 9 pixels where a page is 360 pixels wide)."""

_SIGN_EM, _BOLD_EM = 0.60, 0.68
"""Mean width of a sign, plain and bold, in sizes of the text (measured with matplotlib's TextPath
in DejaVu Sans: 0.57 in "1026 Hz", 0.65 in "compressor"; a little more, as pages use other fonts).
"""

_ROW_EM = 1.25
"""Height of a row of words, in sizes of the text (chosen: a line and its leading)."""

_LONG = {
    "limiter": "lost to the limiter",
    "compressor": "lost to the compressor",
    "clipping": "lost to clipping",
    "thermal": "lost to heat",
}
_SHORT = {"thermal": "heat", "limiting": "held back"}
"""What is written at a limit: what its height means where there is room, else the kind, in words
for strangers."""

_NARROW = 2.0**0.5
"""Ratio of its ends below which a further limit is not named (chosen: half an octave)."""


def row_share(axes: Axes) -> float:
    """Return the height of a row of words as a share of the axes' height."""
    height_points = 72.0 * axes.bbox.height / axes.figure.dpi
    return float(_ROW_EM * TEXT_POINTS / height_points)


def rows_of(axes: Axes, resonances: list[Resonance]) -> list[int]:
    """Give each resonance's label a row, 0 the lowest, so that no two of a row overlap."""
    last: list[float] = []
    rows = [0] * len(resonances)
    for index in np.argsort([one.frequency_hz for one in resonances]):
        place = float(np.log2(resonances[index].frequency_hz))
        label = f"{wording.whole_hertz(resonances[index].frequency_hz)} "  # a blank parts two
        half = 0.5 * _octaves(axes, label)
        row = next((k for k, end in enumerate(last) if place - half >= end), len(last))
        last[row : row + 1] = [place + half]
        rows[index] = row
    return rows


def name_resonances(axes: Axes, resonances: list[Resonance], rows: list[int]) -> None:
    """Mark each resonance by a line up to its frequency in the row that it was given.

    A circle: it lifts what lands on it; a triangle: it is set off when it is played.
    """
    bottom, top = axes.get_ylim()
    row_db = (top - bottom) * row_share(axes)
    for one, row in zip(resonances, rows, strict=True):
        height = top - (max(rows) - row + 1.1) * row_db
        axes.vlines(one.frequency_hz, bottom, height, color=look.ODD, linewidth=1.4,
                    linestyle="--", label="_resonance", zorder=6)  # fmt: skip
        axes.plot([one.frequency_hz], [height], marker="o" if one.kind == "radiated" else "^",
                  color=look.ODD, markersize=6.0, label="_resonance", zorder=9)  # fmt: skip
        axes.text(one.frequency_hz, height + 0.15 * row_db, wording.whole_hertz(one.frequency_hz),
                  color=look.ODD, ha="center", va="bottom", fontsize=TEXT_POINTS,
                  label="_resonance", zorder=8,
                  bbox={"facecolor": look.PAPER, "edgecolor": "none", "pad": 0.5})  # fmt: skip
    if resonances:
        word = "resonances" if len(resonances) > 1 else "resonance"
        axes.text(0.01, 0.99, word, transform=axes.transAxes, color=look.ODD, ha="left", va="top",
                  fontsize=TEXT_POINTS, label="_name")  # fmt: skip


def name_areas(axes: Axes, what: Shown) -> None:
    """Write on each area what it is; no key is needed.

    The name of the loudest level stands at the right, or at the left where a limit's stands there.
    A limit whose name would run into another's has none, nor has a further one that is narrow: its
    hatching is the same.
    """
    if what.clean is not None:
        _name_clean(axes, what.clean, what.frequency_hz, what.loudest_db)
    taken: list[tuple[float, float]] = []
    for area in what.limits:
        width = float(np.log2(area.frequency_hz[-1] / area.frequency_hz[0]))
        name = _LONG.get(area.kind, "")
        if not name or _octaves(axes, name, bold=True) > width:
            name = _SHORT.get(area.kind, area.kind)
        place = float(np.sqrt(area.frequency_hz[0] * area.frequency_hz[-1]))
        span = _span(axes, place, name)
        if taken and area.frequency_hz[-1] < _NARROW * area.frequency_hz[0]:
            continue
        if all(span[1] < low or span[0] > high for low, high in taken):
            taken.append(span)
            _write(
                axes, _centre(np.array(span)), _above(axes, what, span), name, look.RED, look.PAPER
            )
    low, high = axes.get_xlim()
    for end in (high, low):
        span = _span(axes, end, LOUDEST)
        if all(span[1] < first or span[0] > last for first, last in taken):
            axes.text(_centre(np.array(span)), _above(axes, what, span), LOUDEST, color=look.INK,
                      ha="center", va="center", fontsize=TEXT_POINTS, label="_name",
                      zorder=7)  # fmt: skip
            return


def _name_clean(axes: Axes, area: CleanArea, f: FloatArray, loudest: FloatArray) -> None:
    """Name what is clean, and above it what is not, where there is room for the words."""
    bottom, top = axes.get_ylim()
    row_db = (top - bottom) * row_share(axes)
    sure, perhaps = np.fmax(area.sure_db, bottom), np.fmax(area.perhaps_db, bottom)
    run = _widest(axes, area, sure > bottom + 1.5 * row_db, "clean")
    if run is not None:
        middle = bottom + 0.5 * float(np.min(sure[run] - bottom))
        pale = look.paler(look.EVEN)
        _write(axes, _centre(area.frequency_hz[run]), middle, "clean", look.EVEN, pale)
    elif np.any(sure > bottom + row_db):  # bars too narrow for the word: beside the first
        first = int(np.argmax(sure > bottom + row_db))
        span = _span(axes, 0.0, " clean")
        place = float(area.edges_hz[first, 1]) * (span[1] / span[0]) ** 0.5
        _write(axes, place, bottom + 0.5 * (sure[first] - bottom), "clean", look.EVEN, look.PAPER)
    known = np.isfinite(loudest)
    room = np.interp(np.log(area.frequency_hz), np.log(f[known]), loudest[known]) - perhaps
    for least_db in (3.0 * row_db, 1.3 * row_db):
        run = _widest(axes, area, room > least_db, "not clean")
        if run is not None:
            middle = float(np.max(perhaps[run]) + np.min(perhaps[run] + room[run])) / 2.0
            place = _centre(area.frequency_hz[run])
            _write(axes, place, middle, "not clean", look.QUIET_INK, look.PAPER)
            return


def _above(axes: Axes, what: Shown, span: tuple[float, float]) -> float:
    """Return where a word over a span of frequencies clears all that is drawn there."""
    bottom, top = axes.get_ylim()
    drawn = [(what.frequency_hz, what.loudest_db), *((a.frequency_hz, a.unlimited_db)
             for a in what.limits)]  # fmt: skip
    there = np.geomspace(*span, 50)
    levels = [
        np.interp(there, f[known], level[known], left=bottom, right=bottom)
        for f, level in drawn
        if (known := np.isfinite(level)).any()
    ]
    return float(np.max(levels)) + 0.7 * (top - bottom) * row_share(axes)


def _span(axes: Axes, place_hz: float, word: str) -> tuple[float, float]:
    """Return from where to where a word reaches whose middle is at a place, inside the axes."""
    half = 2.0 ** (0.5 * _octaves(axes, word, bold=True))
    low, high = axes.get_xlim()
    middle = min(max(place_hz, low * half * 1.02), high / half / 1.02)
    return middle / half, middle * half


def _octaves(axes: Axes, word: str, *, bold: bool = False) -> float:
    """Return a word's width on the axis of frequency."""
    low, high = axes.get_xlim()
    width_points = 72.0 * axes.bbox.width / axes.figure.dpi
    em = _BOLD_EM if bold else _SIGN_EM
    return float(np.log2(high / low) * len(word) * em * TEXT_POINTS / width_points)


def _centre(f: FloatArray) -> float:
    return float(np.sqrt(f[0] * f[-1]))


def _widest(axes: Axes, area: CleanArea, flags: BoolArray, word: str) -> slice | None:
    """Return the widest stretch of flagged neighbours; None where none holds a word."""
    runs = [
        (first + start, first + stop)
        for first, end in area.stretches()
        for start, stop in runs_of(flags[first:end])
    ]
    widths = [float(np.log2(area.edges_hz[b - 1, 1] / area.edges_hz[a, 0])) for a, b in runs]
    if not runs or max(widths) < _octaves(axes, word, bold=True):
        return None
    return slice(*runs[int(np.argmax(widths))])


def _write(axes: Axes, at_hz: float, level_db: float, text: str, colour: str, on: str) -> None:
    """Write a word on a patch of the colour below it, which parts it from lines."""
    axes.text(at_hz, level_db, text, color=colour, ha="center", va="center", weight="bold",
              fontsize=TEXT_POINTS, label="_name", zorder=7,
              bbox={"facecolor": on, "edgecolor": "none", "pad": 1.0})  # fmt: skip
