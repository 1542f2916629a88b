"""Level against time around one loud burst of a staircase."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from distsweep.report import look
from distsweep.report.content import Picture
from distsweep.report.figure_data import Curve, FigureData
from distsweep.report.time_axis import millisecond_axis
from distsweep.results import Staircase, Take
from distsweep.units import FloatArray
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def picture(take: Take, name: str) -> Picture:
    """The figure with its caption."""
    return Picture(
        f"{name}-burst",
        partial(plot_burst, take),
        "Level against time around one loud burst.",
        "Dashed: the level with the gain of the quietest burst.",
        "Nothing faster than the window shows: it holds a whole period of the tone or more. In a"
        " room the tail after the burst is the room's as well as the limiter's.",
        data=partial(data, take),
        position=take.position,
    )


def data(take: Take) -> FigureData:
    """Level against time from the burst's start, and the level without compression."""
    row = traced(take)
    if row is None or row.trace is None:
        return FigureData("time", [])
    time_s, drive_dbfs = row.trace.time_s, row.trace.drive_dbfs
    curves = [
        Curve(key, name, wording.level_axis(take), time_s, level_db, drive_dbfs=drive_dbfs,
              colour=colour)
        for key, name, level_db, colour in (
            ("level", "level", row.trace.level_db, look.EVEN),
            ("linear", "with the gain of the quietest burst",
             np.full(len(time_s), _linear_db(row)), look.QUIET_INK),
        )
    ]  # fmt: skip
    return FigureData("time", curves)


def traced(take: Take) -> Staircase | None:
    """The tone whose burst is worth showing: the one that loses most at its loudest."""
    rows = [row for row in take.staircase if row.trace is not None and len(row.level_db)]
    if not rows:
        return None

    def loss(row: Staircase) -> float:
        change = float(row.gain_change_db[-1])
        timed = row.limiter is not None and row.limiter.attack_ms is not None
        return (-change if np.isfinite(change) else 0.0) + (3.0 if timed else 0.0)

    return max(rows, key=loss)


def plot_burst(take: Take) -> Figure:
    """Level against time around the loudest burst of the tone that is limited most.

    Left: the burst's first moments, where a limiter's attack shows. Right: the burst and the rest
    after it, where its release shows. Dashed: the level that would have been without compression.

    Raises
    ------
    ValueError
        The take holds no burst: only a staircase has any.
    """
    row = traced(take)
    if row is None or row.trace is None:
        raise ValueError("take has no burst to draw: only a staircase has any")
    from matplotlib.ticker import MaxNLocator

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
        split, right = look.LEFT_IN + 2.4, look.WIDTH_IN - 0.25
        start = look.add_axes(figure, left=look.LEFT_IN, bottom=0.58, right=split, top=3.2)
        whole = look.add_axes(figure, left=split + 0.4, bottom=0.58, right=right, top=3.2)
        early = max(0.06, 12.0 / row.frequency_hz)
        whole.set_xlim(float(trace.time_s[0]), float(trace.time_s[-1]))
        millisecond_axis(start, -0.15 * early, early, label="Time, ms")
        for axes in (start, whole):
            look.decibel_axis(look.reads(axes, "time"), *limits)
            level = axes.plot(trace.time_s, trace.level_db, color=look.EVEN, linewidth=1.3,
                              label="level", zorder=3)  # fmt: skip
            linear = axes.axhline(linear_db, color=look.QUIET_INK, linewidth=0.8, linestyle="--",
                                  label="_without compression")  # fmt: skip
            look.belongs_to("level", *level)
            look.belongs_to("linear", linear)
        whole.tick_params(axis="y", labelleft=False)
        whole.xaxis.set_major_locator(MaxNLocator(nbins=5))
        whole.set_xlabel("Time, s")
        start.set_ylabel(wording.level_axis(take))
    return figure


def _linear_db(row: Staircase) -> float:
    """Return the loudest burst's level, had its gain been the quietest's."""
    change = row.gain_change_db[-1]
    return float(row.level_db[-1] - (change if np.isfinite(change) else 0.0))


def _trace_limits(time: FloatArray, level: FloatArray, linear_db: float) -> tuple[float, float]:
    known = level[np.isfinite(level)]
    high = 5.0 * np.ceil((max(float(known.max()), linear_db) + 1.0) / 5.0)
    low = 5.0 * np.floor((float(np.percentile(known, 2.0)) - 2.0) / 5.0)
    return low, high
