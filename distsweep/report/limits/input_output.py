"""Output against drive, with the fitted static curve: a panel a tone or band."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from distsweep.report import look
from distsweep.report.content import Picture
from distsweep.report.figure_data import Curve, FigureData
from distsweep.report.limits.gain_map import gain_grid
from distsweep.report.limits.limiter_words import limiter_words
from distsweep.results import Limiter, Staircase, Take
from distsweep.units import FloatArray
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


_FALLING, _FITTED = "-falling", "-fitted"  # after a panel's key
_GAP_IN = 0.6  # between rows of panels: names of ticks and a title
_DOT = 2.6  # points: a dot's diameter, beyond which an interval is seen


@dataclass(frozen=True)
class InputOutput:
    """One panel: output re the quietest level's gain, against drive, both in dB re full scale.

    ``ends_dbfs`` are those of the outputs' intervals, each of length 0 where there are none;
    ``fitted_dbfs`` belongs to ``curve_dbfs`` and is None where no curve was fitted. ``key`` is that
    of the measured curve; those of the others begin with it.
    """

    key: str
    title: str
    words: str
    drive_dbfs: FloatArray
    output_dbfs: FloatArray
    ends_dbfs: tuple[FloatArray, FloatArray]
    falling_dbfs: FloatArray
    curve_dbfs: FloatArray
    fitted_dbfs: FloatArray | None


def picture(take: Take, name: str) -> Picture:
    """The figure with its caption."""
    fitted = any(panel.fitted_dbfs is not None for panel in input_output(take))
    return Picture(
        f"{name}-input-output",
        partial(plot_input_output, take),
        f"Output against drive{' with the fitted static curve' if fitted else ''}.",
        ("With the soft-knee curve that fits best; dashed" if fitted else "Dashed")
        + ": output that follows drive.",
        (
            "Levels are those of bursts that had settled: music's short peaks pass a limiter before"
            " it acts. Rings off the dots mean that the loudspeaker had not come back on the way"
            " down: a slow release, or heat."
            if take.staircase
            else "A dot is the median over a band that a sweep runs through: single frequencies"
            " differ, and music's short peaks pass a limiter before it acts."
        )
        + (
            " A bar through a dot is its 95 % interval, where it is longer than the dot."
            if any(row.gain_change_high_db.size for row in take.staircase)
            else ""
        ),
        data=partial(data, take),
        position=take.position,
    )


def data(take: Take) -> FigureData:
    """Measured, falling and fitted output of each panel against drive."""
    return FigureData("drive", [one for panel in input_output(take) for one in _curves(panel)])


def _curves(panel: InputOutput) -> list[Curve]:
    low, high = panel.ends_dbfs
    quantity, drives = "Output, dB", panel.drive_dbfs
    curves = [
        Curve(panel.key, f"{panel.title}, measured", quantity, drives, panel.output_dbfs, low, high,
              colour=look.INK)
    ]  # fmt: skip
    if np.any(np.isfinite(panel.falling_dbfs)):
        curves.append(
            Curve(panel.key + _FALLING, f"{panel.title}, falling drive", quantity, drives,
                  panel.falling_dbfs, colour=look.QUIET_INK)
        )  # fmt: skip
    if panel.fitted_dbfs is not None:
        curves.append(
            Curve(panel.key + _FITTED, f"{panel.title}, fitted curve", quantity, panel.curve_dbfs,
                  panel.fitted_dbfs, colour=look.RED)
        )  # fmt: skip
    return curves


def input_output(take: Take) -> list[InputOutput]:
    """Panels of a staircase, one a tone; or of a ladder, one a limited band."""
    if take.staircase:
        rows = sorted(take.staircase, key=lambda row: row.frequency_hz)
        return [_tone_panel(row) for row in rows if np.sum(np.isfinite(row.gain_change_db)) > 1]
    grid = gain_grid(take)
    if grid is None:
        return []
    limited = [limiter for limiter in take.limiters if limiter.band_hz is not None]
    return [_band_panel(*grid, one, f"band-{number}") for number, one in enumerate(limited)]


def _band_panel(
    frequency_hz: FloatArray, drives: FloatArray, change: FloatArray, limiter: Limiter, key: str
) -> InputOutput:
    assert limiter.band_hz is not None  # the caller looked
    band = (frequency_hz >= limiter.band_hz[0]) & (frequency_hz <= limiter.band_hz[1])
    inside = change[:, band]
    known = np.any(np.isfinite(inside), axis=1)
    median = np.full(len(drives), np.nan)
    median[known] = np.nanmedian(inside[known], axis=1)
    title = wording.frequency_range(limiter.band_hz[0], limiter.band_hz[1])
    nowhere = np.full(len(drives), np.nan)
    return _panel(key, title, limiter, drives, median, (nowhere[:0], nowhere[:0]), nowhere)


def _tone_panel(row: Staircase) -> InputOutput:
    falling = row.gain_change_db + row.falling_level_db - row.level_db
    return _panel(
        f"tone-{row.frequency_hz:g}", wording.frequency(row.frequency_hz), row.limiter,
        row.drive_dbfs, row.gain_change_db, (row.gain_change_low_db, row.gain_change_high_db),
        falling,
    )  # fmt: skip


def _panel(
    key: str,
    title: str,
    limiter: Limiter | None,
    drives: FloatArray,
    change: FloatArray,
    ends: tuple[FloatArray, FloatArray],
    falling: FloatArray,
) -> InputOutput:
    curve = np.union1d(np.linspace(float(drives[0]), float(drives[-1]), 121), drives)
    fitted = None
    if limiter is not None and limiter.kind in ("limiter", "compressor"):
        fitted = None if limiter.threshold_dbfs is None else knee_output_dbfs(limiter, curve)
    words = "" if limiter is None else limiter_words(limiter)
    low, high = (drives + end if end.size else end for end in ends)
    return InputOutput(
        key, title, words, drives, drives + change, (low, high), drives + falling, curve, fitted
    )


def knee_output_dbfs(limiter: Limiter, drive_dbfs: FloatArray) -> FloatArray:
    """Output of a fitted curve: the soft knee of Giannoulis, Massberg and Reiss (2012)."""
    assert limiter.threshold_dbfs is not None  # the caller looked
    slope = 0.0 if limiter.ratio is None else 1.0 / limiter.ratio
    width = max(limiter.knee_db or 0.0, 1e-9)
    over = drive_dbfs - limiter.threshold_dbfs
    bend = np.clip(over + width / 2.0, 0.0, width) ** 2 / (2.0 * width)
    bend = bend + np.maximum(over - width / 2.0, 0.0)
    return np.asarray(drive_dbfs + (slope - 1.0) * bend)


def _legend(panels: list[InputOutput]) -> str:
    """Explain the signs that are there: rings are a staircase's, a line needs a fitted curve."""
    rings = any(np.any(np.isfinite(panel.falling_dbfs)) for panel in panels)
    words = ["Dots: rising drive.", "Rings: falling drive."] if rings else ["Dots: measured."]
    if any(panel.fitted_dbfs is not None for panel in panels):
        words.append("Line: fitted curve.")
    return " ".join([*words, "Dashed: no compression."])


def plot_input_output(take: Take) -> Figure:
    """Output over drive, a panel a tone of a staircase or a limited band of a ladder.

    Output re what the quietest level's gain would give at 0 dBFS. Dots: the way up; rings: the
    way down; line: the fitted curve; dashed: output that follows drive. Bars: intervals of a
    staircase's tones that are longer than their dots.

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
        height = 0.25 + rows * (panel_in + _GAP_IN) + 0.75
        figure = look.new_figure(height)
        look.heading(
            figure,
            "Output against drive",
            _legend(panels),
        )
        width = (look.WIDTH_IN - 0.2 - look.LEFT_IN - 0.25 * (columns - 1)) / columns
        for number, panel in enumerate(panels):
            column, row = number % columns, number // columns
            left = look.LEFT_IN + column * (width + 0.25)
            top = height - 0.84 - row * (panel_in + _GAP_IN)
            axes = look.add_axes(
                figure, left=left, bottom=top - panel_in, right=left + width, top=top
            )
            _draw_panel(axes, panel, first=column == 0, last=number + columns >= len(panels))
    return figure


def _draw_panel(axes: Axes, panel: InputOutput, *, first: bool, last: bool) -> None:
    low, high = float(panel.drive_dbfs[0]), float(panel.drive_dbfs[-1])
    axes.set_title(panel.title, loc="left", pad=3.0)
    look.decibel_axis(axes, low - 1.0, high + 1.0)
    look.reads(axes, "drive").set_xlim(low - 1.0, high + 1.0)
    look.decibel_ticks(axes.xaxis)
    axes.plot([low, high], [low, high], color=look.QUIET_INK, linewidth=0.8, linestyle="--",
              label="_follows", zorder=2)  # fmt: skip
    if panel.fitted_dbfs is not None:
        fitted = axes.plot(panel.curve_dbfs, panel.fitted_dbfs, color=look.RED, linewidth=1.3,
                           label="fitted curve", zorder=3)  # fmt: skip
        look.belongs_to(panel.key + _FITTED, *fitted)
    rings = axes.plot(panel.drive_dbfs, panel.falling_dbfs, linestyle="none", marker="o",
                      markersize=4.6, markerfacecolor="none", markeredgecolor=look.QUIET_INK,
                      markeredgewidth=0.7, label="the way down", zorder=4)  # fmt: skip
    look.belongs_to(panel.key + _FALLING, *rings)
    low_dbfs, high_dbfs = panel.ends_dbfs
    if high_dbfs.size:
        wide = high_dbfs - low_dbfs >= look.points_to_db(axes, _DOT)
        bars = axes.vlines(panel.drive_dbfs[wide], low_dbfs[wide], high_dbfs[wide], color=look.INK,
                           linewidth=0.8, label="_interval", zorder=4.5)  # fmt: skip
        look.belongs_to(panel.key, bars)
    dots = axes.plot(panel.drive_dbfs, panel.output_dbfs, linestyle="none", marker="o",
                     markersize=_DOT, markerfacecolor=look.INK, markeredgewidth=0.0,
                     label="the way up", zorder=5)  # fmt: skip
    look.belongs_to(panel.key, *dots)
    axes.text(0.97, 0.05, panel.words, transform=axes.transAxes, ha="right", va="bottom",
              fontsize=7.0, color=look.QUIET_INK, label="_words", gid="fine")  # fmt: skip
    if first:
        axes.set_ylabel("Output, dB")
    else:
        axes.tick_params(axis="y", labelleft=False)
    if last:
        axes.set_xlabel("Drive, dBFS")
