"""Figures of compression: pure functions from a take to a matplotlib figure.

Imported only when a figure is drawn.
"""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap, Normalize, to_hex
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator

from distsweep.report import look
from distsweep.report.compression_data import (
    MAP_LINES_DB,
    InputOutput,
    gain_grid,
    input_output,
    traced,
)
from distsweep.results import Staircase, Take
from distsweep.units import FloatArray
from distsweep.words import wording

LEFT_IN, RIGHT_IN = 0.98, 7.68
_DEEPEST_DB = 12.0
"""The map's last colour: deeper compression looks the same (chosen: twelve decibels are a
sixteenth of the power, and the eye tells no more steps)."""

# Paper, straw, ochre, rust, oxblood: lightness falls all the way.
_LOSS_COLOURS = LinearSegmentedColormap.from_list(
    "loss", [look.PAPER, "#ecd9a8", "#c98f3c", "#8a3a1c", "#2e0616"]
)


def plot_gain_map(take: Take) -> look.ReportFigure:
    """Gain change over frequency and drive, as a map.

    Parameters
    ----------
    take
        A take of a ladder with compression computed, or of a staircase.

    Returns
    -------
    matplotlib.figure.Figure
        Darker is more compression; lines where the gain change passes −0.5, −1, −3 and −6 dB.
        Of a staircase each column is one tone.

    Raises
    ------
    ValueError
        The take holds no gain change.
    """
    grid = gain_grid(take)
    if grid is None:
        raise ValueError("take has no gain change: it needs two levels or more")
    frequency_hz, drives, change = grid
    with look.our_look():
        figure = look.new_figure(4.6)
        axes = look.add_axes(figure, left=LEFT_IN, bottom=0.55, right=RIGHT_IN - 0.55, top=3.95)
        look.heading(
            figure,
            "Where the gain falls: frequency and drive",
            "Darker: less gain than at the quietest level. Lines: −0.5, −1, −3, −6 dB.",
        )
        scale = Normalize(0.0, _DEEPEST_DB)
        if take.staircase:
            _draw_columns(axes, frequency_hz, drives, change, scale)
        else:
            _draw_field(axes, frequency_hz, drives, change, scale)
        axes.set_ylabel("Drive, dBFS")
        axes.set_xlabel("Excitation frequency, Hz")
        axes.grid(False)
        _colour_bar(figure, scale)
    return figure


def _draw_field(
    axes: Axes, frequency_hz: FloatArray, drives: FloatArray, change: FloatArray, scale: Normalize
) -> None:
    look.frequency_axis(axes, float(frequency_hz[0]), float(frequency_hz[-1]))
    look.decibel_axis(axes, float(drives[0]), float(drives[-1]))
    loss = np.ma.masked_invalid(np.clip(-change, 0.0, _DEEPEST_DB))
    steps = np.concatenate([np.arange(0.0, 2.0, 0.25), np.arange(2.0, _DEEPEST_DB + 0.1, 1.0)])
    axes.contourf(frequency_hz, drives, loss, levels=steps, cmap=_LOSS_COLOURS, norm=scale)
    with np.errstate(invalid="ignore"):
        known = np.ma.masked_invalid(change)
        inside = [line for line in MAP_LINES_DB if np.any(known < line) and np.any(known > line)]
    if inside:
        lines = axes.contour(
            frequency_hz, drives, known, levels=sorted(inside), colors=look.INK, linewidths=0.8,
            linestyles="solid",
        )  # fmt: skip
        axes.clabel(lines, fmt=lambda value: f"{wording.plain(value)} dB", fontsize=7.5)


def _draw_columns(
    axes: Axes, frequency_hz: FloatArray, drives: FloatArray, change: FloatArray, scale: Normalize
) -> None:
    """Draw one column a tone: nothing is claimed for the frequencies between them."""
    count = len(frequency_hz)
    axes.set_xlim(-0.5, count - 0.5)
    axes.xaxis.set_major_locator(FixedLocator(list(range(count))))
    axes.xaxis.set_major_formatter(
        FixedFormatter([wording.short_frequency(f) for f in frequency_hz])
    )
    step = float(np.min(np.diff(drives))) if len(drives) > 1 else 1.0
    look.decibel_axis(axes, float(drives[0]) - 0.5 * step, float(drives[-1]) + 0.5 * step)
    for column in range(count):
        for row, drive in enumerate(drives):
            value = change[row, column]
            if not np.isfinite(value):
                continue
            colour = to_hex(_LOSS_COLOURS(scale(min(max(-value, 0.0), _DEEPEST_DB))))
            axes.bar(column, step, width=0.84, bottom=drive - 0.5 * step, color=colour,
                     linewidth=0.0, label="_cell", zorder=2)  # fmt: skip
        _draw_steps(axes, column, drives, change[:, column], step)


def _draw_steps(
    axes: Axes, column: int, drives: FloatArray, change: FloatArray, step: float
) -> None:
    """Draw a line across a column where the gain change passes each of the map's lines."""
    for limit in MAP_LINES_DB:
        for row in range(len(drives) - 1):
            before, after = change[row], change[row + 1]
            if before > limit >= after:
                at = drives[row] + step * (before - limit) / (before - after)
                axes.plot([column - 0.42, column + 0.42], [at, at], color=look.INK,
                          linewidth=0.8, label=f"_limit {limit:g}", zorder=3)  # fmt: skip
                break


def _colour_bar(figure: Figure, scale: Normalize) -> None:
    axes = look.add_axes(figure, left=RIGHT_IN - 0.30, bottom=0.55, right=RIGHT_IN - 0.15, top=3.95)
    look.decibel_axis(axes, -_DEEPEST_DB, 0.0, step=2.0)
    axes.set_xlim(0.0, 1.0)
    axes.xaxis.set_visible(False)
    axes.grid(False)
    for place in np.arange(0.0, _DEEPEST_DB, 0.25):
        axes.bar(0.5, 0.26, width=1.0, bottom=-place - 0.25, linewidth=0.0,
                 color=to_hex(_LOSS_COLOURS(scale(place + 0.125))), label="_key")  # fmt: skip
    axes.yaxis.tick_right()
    axes.yaxis.set_label_position("right")
    axes.set_ylabel("Gain change, dB")


def _legend(panels: list[InputOutput]) -> str:
    """Explain the signs that are there: rings are a staircase's, a line needs a fitted curve."""
    rings = any(np.any(np.isfinite(panel.falling_dbfs)) for panel in panels)
    words = ["Dots: rising drive.", "Rings: falling drive."] if rings else ["Dots: measured."]
    if any(panel.fitted_dbfs is not None for panel in panels):
        words.append("Line: fitted curve.")
    return " ".join([*words, "Dashed: no compression."])


def plot_input_output(take: Take) -> look.ReportFigure:
    """Output over drive, with the fitted static curve; a panel a tone.

    Parameters
    ----------
    take
        A take of a staircase, or of a ladder with a limiter's band.

    Returns
    -------
    matplotlib.figure.Figure
        Output re what the quietest level's gain would give at 0 dBFS. Dots: the way up;
        rings: the way down; line: the fitted curve; dashed: output that follows drive.

    Raises
    ------
    ValueError
        The take holds no levels to draw.
    """
    panels = input_output(take)
    if not panels:
        raise ValueError("take has no input-output curve: it needs two levels or more")
    columns = min(4, len(panels))
    rows = -(-len(panels) // columns)
    panel_in = 1.75 if columns > 2 else 3.0
    with look.our_look():
        figure = look.new_figure(0.75 + rows * (panel_in + 0.42) + 0.25)
        look.heading(
            figure,
            "Output against drive",
            _legend(panels),
        )
        height = float(figure.get_size_inches()[1])
        width = (RIGHT_IN - LEFT_IN - 0.3 * (columns - 1)) / columns
        for number, panel in enumerate(panels):
            column, row = number % columns, number // columns
            left = LEFT_IN + column * (width + 0.3)
            top = height - 0.95 - row * (panel_in + 0.42)
            axes = look.add_axes(
                figure, left=left, bottom=top - panel_in, right=left + width, top=top
            )
            _draw_panel(axes, panel, first=column == 0, last=number + columns >= len(panels))
    return figure


def _draw_panel(axes: Axes, panel: InputOutput, *, first: bool, last: bool) -> None:
    low, high = float(panel.drive_dbfs[0]), float(panel.drive_dbfs[-1])
    axes.set_title(panel.title, fontsize=9.0, loc="left", pad=3.0)
    step = 10.0 if high - low > 15.0 else 5.0
    look.decibel_axis(axes, low - 1.0, high + 1.0, step=step)
    ticks = np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step
    axes.set_xlim(low - 1.0, high + 1.0)
    axes.xaxis.set_major_locator(FixedLocator(ticks.tolist()))
    axes.xaxis.set_major_formatter(FixedFormatter([wording.signed(t, 0) for t in ticks]))
    axes.plot([low, high], [low, high], color=look.QUIET_INK, linewidth=0.8, linestyle="--",
              label="_follows", zorder=2)  # fmt: skip
    if panel.fitted_dbfs is not None:
        axes.plot(panel.curve_dbfs, panel.fitted_dbfs, color=look.RED, linewidth=1.3,
                  label="fitted curve", zorder=3)  # fmt: skip
    axes.plot(panel.drive_dbfs, panel.falling_dbfs, linestyle="none", marker="o", markersize=4.6,
              markerfacecolor="none", markeredgecolor=look.QUIET_INK, markeredgewidth=0.7,
              label="the way down", zorder=4)  # fmt: skip
    axes.plot(panel.drive_dbfs, panel.output_dbfs, linestyle="none", marker="o", markersize=2.6,
              markerfacecolor=look.INK, markeredgewidth=0.0, label="the way up",
              zorder=5)  # fmt: skip
    axes.text(0.97, 0.05, panel.words, transform=axes.transAxes, ha="right", va="bottom",
              fontsize=7.5, color=look.QUIET_INK, label="_words")  # fmt: skip
    if first:
        axes.set_ylabel("Output, dB")
    else:
        axes.tick_params(axis="y", labelleft=False)
    if last:
        axes.set_xlabel("Drive, dBFS")


def plot_burst(take: Take) -> look.ReportFigure:
    """Level against time around the loudest burst of the tone that is limited most.

    Parameters
    ----------
    take
        A take of a staircase.

    Returns
    -------
    matplotlib.figure.Figure
        Left: the burst's first moments, where a limiter's attack shows. Right: the burst and
        the rest after it, where its release shows. Dashed: the level that would have been
        without compression.

    Raises
    ------
    ValueError
        The take holds no burst that can be drawn.
    """
    row = traced(take)
    if row is None or row.trace is None:
        raise ValueError("take has no burst to draw: only a staircase has any")
    trace = row.trace
    linear_db = _linear_db(row)
    limits = _trace_limits(trace.time_s, trace.level_db, linear_db)
    with look.our_look():
        figure = look.new_figure(3.9)
        look.heading(
            figure,
            f"A burst at {wording.frequency(row.frequency_hz)}, "
            f"{wording.drive(trace.drive_dbfs)}, against time",
            "Left: its first moments. Right: the burst, and the tone at the lowest level after it.",
        )
        split = LEFT_IN + 2.6
        start = look.add_axes(figure, left=LEFT_IN, bottom=0.55, right=split, top=3.2)
        whole = look.add_axes(figure, left=split + 0.35, bottom=0.55, right=RIGHT_IN, top=3.2)
        early = max(0.06, 12.0 / row.frequency_hz)
        _draw_trace(start, row, 1e3 * trace.time_s, -0.15e3 * early, 1e3 * early)
        _draw_trace(whole, row, trace.time_s, float(trace.time_s[0]), float(trace.time_s[-1]))
        for axes in (start, whole):
            look.decibel_axis(axes, *limits)
            axes.axhline(linear_db, color=look.QUIET_INK, linewidth=0.8, linestyle="--",
                         label="_without compression")  # fmt: skip
        whole.tick_params(axis="y", labelleft=False)
        start.set_xlabel("Time, ms")
        whole.set_xlabel("Time, s")
        start.set_ylabel(wording.level_axis(take))
    return figure


def _draw_trace(axes: Axes, row: Staircase, time: FloatArray, first: float, last: float) -> None:
    assert row.trace is not None  # the caller looked
    axes.plot(time, row.trace.level_db, color=look.EVEN, linewidth=1.3, label="level", zorder=3)
    axes.set_xlim(first, last)


def _linear_db(row: Staircase) -> float:
    """Return the loudest burst's level, had its gain been the quietest's."""
    change = row.gain_change_db[-1]
    return float(row.level_db[-1] - (change if np.isfinite(change) else 0.0))


def _trace_limits(time: FloatArray, level: FloatArray, linear_db: float) -> tuple[float, float]:
    known = level[np.isfinite(level)]
    high = 5.0 * np.ceil((max(float(known.max()), linear_db) + 1.0) / 5.0)
    low = 5.0 * np.floor((float(np.percentile(known, 2.0)) - 2.0) / 5.0)
    return low, high
