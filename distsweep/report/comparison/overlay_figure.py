"""The figure of an overlay: sources above, differences below, one frequency axis.

Sources are told apart by colour and dash, levels by the lines' width: the loudest is the widest.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from distsweep.report import look
from distsweep.report.aspect import ResponseAxis
from distsweep.report.comparison.curves import axis_of_levels
from distsweep.report.comparison.overlay import (
    DISTORTION,
    GAIN,
    HEADROOM,
    RESPONSE,
    Drawn,
    Overlay,
)
from distsweep.report.comparison.strokes import stroke_of
from distsweep.report.content import Picture
from distsweep.report.distortion.thd import thd_limits
from distsweep.report.ladder_chart import draw_line, drawn_values
from distsweep.report.lines import Line
from distsweep.report.tags import place_tags
from distsweep.units import FloatArray
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTHS = (1.6, 0.9)
"""Points, of the loudest level's lines and of the other's (chosen by eye)."""

MAIN_IN, _BELOW_IN, _GAP_IN, _FOOT_IN = 2.75, 1.35, 0.42, 0.57
KEY_COLUMNS, KEY_ROW_IN = 3, 0.17
_LEAST_DB, _MOST_DB = 1.5, 20.0
"""Ends of the axis of differences, least and most (chosen: trifles look like trifles; beyond, a
difference is where one side has a null)."""


def picture(overlay: Overlay, name: str, position: str, *, misleads: str) -> Picture:
    """The figure; its title and the words in it say what a caption would."""
    return Picture(
        name,
        partial(plot_overlay, overlay),
        f"{overlay.title}: {wording.listed(list(overlay.names))} against frequency, and their "
        "differences below; numbers are in the table.",
        "",
        misleads,
        data=overlay.data,
        position=position,
    )


def plot_overlay(overlay: Overlay) -> Figure:
    """Draw a quantity of all sources in one axes, and their differences from the first below."""
    with look.our_look():
        limits = _limits(overlay)
        shown = sorted({one.source for one in overlay.lines})
        head_in = head_height_in(len(shown))
        below_top = _FOOT_IN + _BELOW_IN
        main_top = below_top + _GAP_IN + limits.height_in
        figure = look.new_figure(main_top + head_in)
        widths = "Thick: the louder level. " if len(overlay.levels) > 1 else ""
        look.heading(figure, overlay.title, f"{widths}Shaded: the 95 % interval.")
        look.key(figure, [key_of(overlay.names, one) for one in shown], columns=KEY_COLUMNS)
        left, right = look.LEFT_IN, look.RIGHT_IN
        main = look.add_axes(
            figure, left=left, right=right, bottom=below_top + _GAP_IN, top=main_top
        )
        below = look.add_axes(
            figure, left=left, right=right, bottom=_FOOT_IN, top=below_top, beside=main
        )
        _draw_main(main, overlay, limits)
        _draw_below(below, overlay)
    return figure


def head_height_in(names: int) -> float:
    """Return the height of heading and key of so many names."""
    return look.HEAD_IN + 0.16 + KEY_ROW_IN * -(-names // KEY_COLUMNS)


def key_of(names: Sequence[str], source: int) -> Artist:
    """Return a source's sign for the key."""
    stroke = stroke_of(source)
    return look.key_line(names[source], stroke.colour, linestyle=stroke.linestyle,
                         linewidth=WIDTHS[0])  # fmt: skip


def _draw_main(axes: Axes, overlay: Overlay, limits: ResponseAxis) -> None:
    grids = [one.x for one in overlay.lines]
    ends = min(float(x[0]) for x in grids), max(float(x[-1]) for x in grids)
    look.frequency_axis(look.reads(axes, "frequency"), *look.frequency_limits(*ends))
    look.decibel_axis(axes, limits.low_db, limits.high_db)
    axes.tick_params(axis="x", which="both", labelbottom=False)
    is_distortion = overlay.kind == DISTORTION
    axes.set_ylabel("dB re fundamental" if is_distortion else overlay.values_name)
    if overlay.kind == RESPONSE:
        look.note(axes, limits.words)
    if overlay.kind in (GAIN, HEADROOM):
        axes.axhline(0.0, color=look.QUIET_INK, linewidth=0.8, label="_zero", zorder=2)
    for one in overlay.lines:
        _draw(axes, one)
    if not any(np.isfinite(one.line.shown).any() or one.bounds for one in overlay.lines):
        look.say(axes, "no value stands clear of the noise, unclipped", fontsize=9.0)
    if len(overlay.levels) > 1:
        _tag_levels(axes, [one for one in overlay.lines if one.source == 0], overlay.levels)
    if is_distortion:
        look.percent_axis(axes, "% of fundamental")


def _draw(axes: Axes, one: Drawn) -> None:
    colour, width = one.stroke.colour, WIDTHS[min(one.rank, len(WIDTHS) - 1)]
    with look.drawn_as(axes, one.key):
        draw_line(axes, one.x, one.line, colour, width=width, name=one.name,
                  dash=one.stroke.linestyle, zorder=3.0 - 0.1 * one.rank)  # fmt: skip
        for side, marker in ((1, "^"), (-1, "v")):
            points = [(x, y) for x, y, way in one.bounds if way == side]
            if points:
                x, y = zip(*points, strict=True)
                axes.plot(x, y, linestyle="none", marker=marker, markersize=4.5, zorder=3,
                          markerfacecolor=look.PAPER, markeredgecolor=colour, markeredgewidth=0.9,
                          label="_bound")  # fmt: skip


def _draw_below(axes: Axes, overlay: Overlay) -> None:
    look.reads(axes, "frequency")
    most = difference_end([one.line for one in overlay.differences])
    look.decibel_axis(axes, -most, most)
    axes.set_xlabel(wording.EXCITATION_AXIS)
    axes.set_ylabel("Difference, dB")
    axes.set_title(overlay.below_name, loc="left", fontsize=8.0, color=look.QUIET_INK, pad=3.0)
    if not overlay.has_differences:
        look.say(axes, "nothing is known within 1.5 dB", fontsize=9.0)
        return
    axes.axhline(0.0, color=look.INK, linewidth=0.9, label="_zero", zorder=2)
    for one in overlay.differences:
        _draw(axes, one)


def _tag_levels(axes: Axes, lines: list[Drawn], levels: Sequence[float]) -> None:
    """Write each level on the reference's line, where there is room."""
    if not lines:
        return
    low, high = np.log(axes.get_xlim())
    bottom, top = axes.get_ylim()
    width_in, height_in = (float(side) / axes.figure.dpi for side in axes.bbox.size)
    x = (np.log(lines[0].x) - low) / (high - low) * width_in
    heights = [(one.line.tagged_values() - bottom) / (top - bottom) * height_in for one in lines]
    places = place_tags(x, heights, size=(0.34, 0.14), box=(width_in, height_in))
    for one, at in zip(lines, places, strict=True):
        if at is not None:
            with look.drawn_as(axes, one.key):
                look.tag(axes, float(one.x[at]), float(one.line.shown[at]),
                         wording.plain(levels[one.rank]), color=one.stroke.colour,
                         weight="normal" if one.rank else "bold", label="_tag")  # fmt: skip


def _limits(overlay: Overlay) -> ResponseAxis:
    """Return limits and height of the upper axes."""
    known, uncertain = drawn_values([one.line for one in overlay.lines])
    bounds = np.array([y for one in overlay.lines for _, y, _ in one.bounds])
    every = np.concatenate([known, uncertain, bounds])
    style = look.style()
    if overlay.kind == DISTORTION:
        return ResponseAxis(*(style.thd_db or thd_limits(known, uncertain)), MAIN_IN, 0.0)
    if overlay.kind == GAIN:
        return ResponseAxis(*(style.gain_change_db or _gain_limits(every)), MAIN_IN, 0.0)
    if overlay.kind == HEADROOM:
        return ResponseAxis(*_gain_limits(every), MAIN_IN, 0.0)
    return axis_of_levels(every, overlay.lines[0].x, height_in=MAIN_IN, unit=overlay.unit)


def _gain_limits(values: FloatArray) -> tuple[float, float]:
    """Limits that hold what is drawn, and ±1 dB at least."""
    low, high = np.min(np.append(values, -0.5)), np.max(np.append(values, 0.5))
    return float(np.floor(low)) - 0.5, float(np.ceil(high)) + 0.5


def difference_end(lines: list[Line]) -> float:
    """Return the end of a symmetric axis that holds the differences that are drawn."""
    shown = np.abs(np.concatenate([one.shown for one in lines]))
    known = shown[np.isfinite(shown)]
    most = float(np.percentile(known, 99.5)) if known.size else 0.0
    return min(max(_LEAST_DB, 0.5 * float(np.ceil(2.4 * most))), _MOST_DB)
