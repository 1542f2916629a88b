"""A chart with one line a rung, and under it a strip that says where each rung is reliable.

What is not reliable is not drawn: it would be read as data whatever its style. The strip
shows instead where it is missing, and serves as the legend.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patheffects import withStroke

from distsweep.report import look, wording
from distsweep.report.reliability import only, runs
from distsweep.report.tags import place_tags
from distsweep.results import Take
from distsweep.units import BoolArray, FloatArray

LEFT_IN, RIGHT_IN = 0.98, 7.68
_STRIP_BOTTOM_IN, _ROW_IN, _MAIN_IN, _HEAD_IN = 0.50, 0.165, 3.7, 0.68


@dataclass(frozen=True)
class Line:
    """One rung's curve: values, where they may be shown, and a remark for the strip."""

    values: FloatArray
    flags: BoolArray
    remark: str = ""


def ladder_chart(
    take: Take, lines: list[Line], *, title: str, subtitle: str, limits_db: tuple[float, float]
) -> tuple[look.ReportFigure, Axes]:
    """Draw one line a rung over the strip of reliable stretches; return figure and main axes."""
    count = len(take.rungs)
    strip_top = _STRIP_BOTTOM_IN + max(2, count) * _ROW_IN + 0.06
    main_bottom = strip_top + 0.27
    height = main_bottom + _MAIN_IN + _HEAD_IN
    figure = look.new_figure(height)
    main = look.add_axes(
        figure, left=LEFT_IN, bottom=main_bottom, right=RIGHT_IN, top=main_bottom + _MAIN_IN
    )
    strip = look.add_axes(
        figure, left=LEFT_IN, bottom=_STRIP_BOTTOM_IN, right=RIGHT_IN, top=strip_top
    )
    look.heading(figure, title, subtitle)
    low_hz, high_hz = float(take.frequency_hz[0]), float(take.frequency_hz[-1])
    for axes in (main, strip):
        look.frequency_axis(axes, low_hz, high_hz)
    look.decibel_axis(main, *limits_db)
    main.tick_params(axis="x", which="both", labelbottom=False)
    _draw_lines(main, take, lines)
    _draw_strip(strip, take, lines)
    return figure, main


def _ranks(take: Take) -> list[int]:
    """Place of each rung from quietest (0) to loudest."""
    order = np.argsort([rung.drive_dbfs for rung in take.rungs], kind="stable")
    ranks = np.empty(len(order), dtype=int)
    ranks[order] = np.arange(len(order))
    return [int(rank) for rank in ranks]


def _draw_lines(axes: Axes, take: Take, lines: list[Line]) -> None:
    count = len(lines)
    colours, widths = look.level_colours(count), look.level_widths(count)
    for line, rung, rank in zip(lines, take.rungs, _ranks(take), strict=True):
        shown = only(line.values, line.flags)
        axes.plot(take.frequency_hz, shown, color=colours[rank], linewidth=widths[rank],
                  label=wording.drive(rung.drive_dbfs), zorder=3 + rank / 50)  # fmt: skip
        draw_lone_points(axes, take.frequency_hz, shown, colours[rank])
    if not any(line.flags.any() for line in lines):
        say_nothing_reliable(axes)
    _draw_tags(axes, take, lines)


def draw_lone_points(axes: Axes, frequency_hz: FloatArray, shown: FloatArray, colour: str) -> None:
    """Mark points without a neighbour, which a line would leave out, by small open dots.

    They are open because noise passes a margin of 6 dB by chance now and then.
    """
    lone = [a for a, b in runs(np.isfinite(shown)) if b - a == 1]
    if lone:
        axes.plot(frequency_hz[lone], shown[lone], linestyle="none", marker="o", markersize=2.4,
                  markerfacecolor=look.PAPER, markeredgecolor=colour, markeredgewidth=0.6,
                  label="_lone", zorder=3)  # fmt: skip


def say_nothing_reliable(axes: Axes) -> None:
    """Write in the empty field why it is empty."""
    axes.text(0.5, 0.5, "Nothing here is reliable:\nno value stands clear of the noise, unclipped",
              transform=axes.transAxes, ha="center", va="center", color=look.QUIET_INK,
              fontsize=10.0)  # fmt: skip


def _draw_tags(axes: Axes, take: Take, lines: list[Line]) -> None:
    """Write each rung's drive on its line, where there is room."""
    low_db, high_db = axes.get_ylim()
    width_in, height_in = RIGHT_IN - LEFT_IN, _MAIN_IN
    log_f = np.log(take.frequency_hz)
    x = (log_f - log_f[0]) / max(float(log_f[-1] - log_f[0]), 1e-9) * width_in
    heights = [
        (only(line.values, line.flags) - low_db) / (high_db - low_db) * height_in for line in lines
    ]
    places = place_tags(x, heights, size=(0.34, 0.14), box=(width_in, height_in))
    colours = look.level_colours(len(lines))
    for line, rung, rank, at in zip(lines, take.rungs, _ranks(take), places, strict=True):
        if at is None:
            continue
        axes.text(float(take.frequency_hz[at]), float(line.values[at]),
                  wording.plain(rung.drive_dbfs), ha="center", va="center", fontsize=8.0,
                  weight="bold", color=colours[rank], label=f"_tag {rank}", zorder=5,
                  path_effects=[withStroke(linewidth=3.0, foreground=look.PAPER)])  # fmt: skip


def _draw_strip(axes: Axes, take: Take, lines: list[Line]) -> None:
    count = len(lines)
    colours = look.level_colours(count)
    edges_hz = _cell_edges(take.frequency_hz)
    for line, rung, rank in zip(lines, take.rungs, _ranks(take), strict=True):
        bars = [(edges_hz[a], edges_hz[b] - edges_hz[a]) for a, b in runs(line.flags)]
        if bars:
            axes.broken_barh(bars, (rank - 0.27, 0.54), facecolor=colours[rank], linewidth=0.0,
                             label=f"_bar {rank}")  # fmt: skip
        left = "" if rung.spl_db is None else wording.decibels(rung.spl_db, "dB SPL")
        name = wording.drive(rung.drive_dbfs)
        for text, place, side in ((left, -0.008, "right"), (name, 1.008, "left")):
            axes.text(place, rank, text, transform=axes.get_yaxis_transform(), ha=side,
                      va="center", fontsize=8.0, color=look.INK)  # fmt: skip
        remark = line.remark or _remark(line, clipped=rung.clipped)
        if remark:
            axes.text(float(take.frequency_hz[0]) * 1.03, rank, remark, va="center", fontsize=8.0,
                      color=look.RED if rung.clipped else look.QUIET_INK)  # fmt: skip
    axes.set_ylim(-0.6, max(2, count) - 0.4)
    axes.set_yticks([])
    axes.grid(False, axis="y")
    axes.spines["left"].set_visible(False)
    axes.set_xlabel("Excitation frequency, Hz")
    axes.set_title("Reliable where the bar runs; in the gaps nothing is drawn above",
                   loc="left", fontsize=8.5, color=look.QUIET_INK, pad=3.0)  # fmt: skip


def _remark(line: Line, *, clipped: bool) -> str:
    if clipped:
        return "clipped"
    return "" if line.flags.any() else "all in the noise"


def _cell_edges(frequency_hz: FloatArray) -> FloatArray:
    """Edges half-way (on a log scale) between grid points, ``(F + 1,)``."""
    if frequency_hz.size < 2:
        return np.array([frequency_hz[0] * 0.98, frequency_hz[0] * 1.02])
    middle = np.sqrt(frequency_hz[1:] * frequency_hz[:-1])
    return np.concatenate(([frequency_hz[0]], middle, [frequency_hz[-1]]))
