"""The figure that compares a ladder with a staircase."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from distsweep.report import look
from distsweep.report.content import Picture
from distsweep.report.figure_data import Curve, FigureData
from distsweep.results import Agreement
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


_APART = 1.012
"""Marks of neighbouring drives at one tone stand so far apart (chosen by eye: a mark's width)."""


def picture(compared: list[Agreement], position: str, name: str) -> Picture:
    """The figure with its caption."""
    return Picture(
        name,
        partial(plot_agreement, compared),
        f"Staircase minus ladder at {len(compared)} frequencies and drives.",
        f"At “{position}”, where both played the same.",
        "THD is over the orders that both have. Levels need not agree in a room: a sweep's window"
        " shuts out reflections that a steady tone includes. A limiter or a warm coil changes"
        " what comes later.",
        data=partial(data, compared),
        position=position,
    )


def data(compared: list[Agreement]) -> FigureData:
    """Differences of THD and of level against the tone's frequency, a curve a drive of each."""
    colours = _colours(compared)
    return FigureData(
        "frequency",
        [_curve(compared, colours, drive, thd=thd) for thd in (True, False) for drive in colours],
    )


def _curve(
    compared: list[Agreement], colours: dict[float, str], drive_dbfs: float, *, thd: bool
) -> Curve:
    items = [item for item in compared if item.drive_dbfs == drive_dbfs]
    items.sort(key=lambda item: item.frequency_hz)
    values, low, high = np.array([_difference(item, thd=thd) for item in items]).T
    what = "THD" if thd else "Level"
    return Curve(
        _key(colours, drive_dbfs, thd=thd),
        f"{what} at {wording.drive(drive_dbfs)}",
        f"{what} difference, dB",
        np.array([item.frequency_hz for item in items]),
        values,
        low,
        high,
        drive_dbfs=drive_dbfs,
        colour=colours[drive_dbfs],
    )


def _difference(item: Agreement, *, thd: bool) -> tuple[float, float, float]:
    """Return a difference and the ends of its interval; the latter NaN where either is."""
    if thd:
        value = item.thd_difference_db
        ends = item.thd_difference_low_db, item.thd_difference_high_db
    else:
        value = item.level_difference_db
        ends = item.level_difference_low_db, item.level_difference_high_db
    return (value, *(ends if np.all(np.isfinite([value, *ends])) else (np.nan, np.nan)))


def _colours(compared: list[Agreement]) -> dict[float, str]:
    """Return the colour of each drive, quietest first."""
    drives = sorted({item.drive_dbfs for item in compared})
    return dict(zip(drives, look.level_colours(len(drives)), strict=True))


def _key(colours: dict[float, str], drive_dbfs: float, *, thd: bool) -> str:
    return f"{'thd' if thd else 'level'}-{list(colours).index(drive_dbfs)}"


def plot_agreement(compared: list[Agreement]) -> Figure:
    """Staircase minus ladder: THD and level at the tones both have, one mark a drive.

    Filled: both reliable. Rings: one of them is not, and noise may explain the difference. Bars
    are 95 % intervals.

    Raises
    ------
    ValueError
        Nothing was compared.
    """
    if not compared:
        raise ValueError("nothing was compared: it takes a ladder and a staircase")
    colours = _colours(compared)
    with look.our_look():
        figure = look.new_figure(4.6)
        look.heading(
            figure,
            "Two ways to the same numbers: staircase minus ladder",
            "Darker: more drive. Filled: both reliable. Rings: noise may explain the difference."
            + (
                " Bars: 95 %."
                if any(np.isfinite(i.level_difference_low_db) for i in compared)
                else ""
            ),
        )
        for title, bottom, top in (("THD", 2.56, 3.84), ("Level", 0.58, 1.90)):
            axes = look.add_axes(
                figure, left=look.LEFT_IN, bottom=bottom, right=look.RIGHT_IN, top=top
            )
            _draw_differences(axes, compared, colours, thd=title == "THD")
            axes.set_title(f"{title}: difference", loc="left")
            axes.set_ylabel("dB")
        axes.set_xlabel(wording.EXCITATION_AXIS)
    return figure


def _draw_differences(
    axes: Axes, compared: list[Agreement], colours: dict[float, str], *, thd: bool
) -> None:
    tones = [item.frequency_hz for item in compared]
    look.frequency_axis(look.reads(axes, "frequency"), min(tones) / 1.2, max(tones) * 1.2)
    shown, drives = [], list(colours)
    for item in compared:
        value, low, high = _difference(item, thd=thd)
        if not np.isfinite(value):
            continue
        full = item.reliable or not thd
        if full:
            shown.append(abs(value))
        aside = drives.index(item.drive_dbfs) - (len(drives) - 1) / 2.0
        place_hz = item.frequency_hz * _APART**aside
        key = _key(colours, item.drive_dbfs, thd=thd)
        if np.isfinite(low + high):
            bar = axes.vlines(place_hz, low, high, color=colours[item.drive_dbfs], linewidth=1.2,
                              alpha=0.5, label="_interval", zorder=1.5)  # fmt: skip
            look.belongs_to(key, bar)
        mark = axes.plot(place_hz, value, linestyle="none", marker="o", markersize=4.5,
                         markeredgecolor=colours[item.drive_dbfs], markeredgewidth=0.9,
                         markerfacecolor=colours[item.drive_dbfs] if full else "none",
                         label="_reliable" if full else "_uncertain",
                         zorder=3 if full else 2)  # fmt: skip
        look.belongs_to(key, *mark)
    reach = float(np.clip(1.3 * max(shown, default=0.5), 0.25, 6.0))
    look.decibel_axis(axes, -reach, reach)
    axes.axhline(0.0, color=look.QUIET_INK, linewidth=1.0, label="_zero", zorder=1)
