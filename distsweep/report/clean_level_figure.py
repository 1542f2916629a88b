"""The figure of the highest clean level. Imported only when it is drawn."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from distsweep.report import look, wording
from distsweep.report.clean_level import in_state, shown
from distsweep.results import CleanLevel, Take

LEFT_IN, RIGHT_IN = 0.98, 7.68


def plot_clean_level(take: Take) -> look.ReportFigure:
    """Highest clean level against frequency, for three ideas of clean.

    Parameters
    ----------
    take
        A take with clean levels.

    Returns
    -------
    matplotlib.figure.Figure
        Full line or filled dot: the limit was reached there. Dotted line or open triangle:
        it was not, and the clean level is at least so high.

    Raises
    ------
    ValueError
        The take holds no clean level of distortion and compression together.
    """
    found = shown(take)
    if not found:
        raise ValueError("take has no clean level: it needs two levels or more")
    levels = np.concatenate([c.level_db for c in found])
    levels = levels[np.isfinite(levels)]
    low, high = float(levels.min()), float(levels.max())
    colours, widths = look.level_colours(len(found)), look.level_widths(len(found))
    with look.our_look():
        figure = look.new_figure(4.4)
        axes = look.add_axes(figure, left=LEFT_IN, bottom=0.55, right=RIGHT_IN, top=3.75)
        look.heading(
            figure,
            "Highest level that is still clean",
            "Full: the limit was reached. Dotted or open: not reached, at least so high.",
        )
        band = take.frequency_hz
        wide = 1.15 if take.staircase else 1.0
        look.frequency_axis(axes, float(band.min()) / wide, float(band.max()) * wide)
        look.decibel_axis(axes, 5.0 * np.floor(low / 5.0 - 0.2), 5.0 * np.ceil(high / 5.0 + 0.2))
        for clean, colour, width in zip(found, colours, widths, strict=True):
            _draw_one(axes, take, clean, colour, float(width))
        axes.set_ylabel(wording.level_axis(take))
        axes.set_xlabel("Excitation frequency, Hz")
        axes.legend(loc="lower right", fontsize=8.0, frameon=False)
    return figure


def _draw_one(axes: Axes, take: Take, clean: CleanLevel, colour: str, width: float) -> None:
    assert clean.compression_db is not None  # shown chose those that have both
    name = f"{clean.thd_percent:g} % or {clean.compression_db:g} dB"
    f = take.frequency_hz
    is_reached = in_state(clean, "reached")
    reached = np.where(is_reached, clean.level_db, np.nan)
    at_least = np.where(~is_reached, clean.level_db, np.nan)
    if take.staircase:
        axes.plot(f, clean.level_db, color=colour, linewidth=0.7, label="_guide", zorder=2)
        axes.plot(f, reached, linestyle="none", marker="o", markersize=4.5, color=colour,
                  label=name, zorder=3)  # fmt: skip
        axes.plot(f, at_least, linestyle="none", marker="^", markersize=5.5, color=colour,
                  markerfacecolor=look.PAPER, label="_at least", zorder=3)  # fmt: skip
    else:
        axes.plot(f, reached, color=colour, linewidth=width, label=name, zorder=3)
        axes.plot(f, at_least, color=colour, linewidth=1.0, linestyle=":", label="_at least",
                  zorder=3)  # fmt: skip
