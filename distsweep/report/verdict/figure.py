"""The verdict's figure: how loud it was played, how loud it stays clean, what acts where."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from distsweep.flag_runs import runs_of
from distsweep.report import look
from distsweep.report.content import Picture
from distsweep.report.verdict import labels
from distsweep.report.verdict.leading import leading_takes
from distsweep.report.verdict.shown import CleanArea, LimitArea, Shown, figure_data, shown
from distsweep.results import Results
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

NAME = "verdict"
HEIGHT_IN = 3.9
SPAN_DB = 45.0
"""Levels farther below the loudest are cut off (chosen: bass that weak is no part of a verdict)."""


def picture(results: Results) -> Picture | None:
    """The figure; None where no level is known.

    No warning: what it can mislead about stands with the figures of clean levels
    and of gain change, to which the verdict's sentences lead.
    """
    what = shown(results)
    if what is None:
        return None
    leading = leading_takes(results)
    return Picture(
        NAME,
        partial(plot_verdict, results),
        _alternative(what),
        "Pale: perhaps clean.",
        "",
        data=partial(figure_data, results),
        position="" if leading is None else leading.take.position,
    )


def plot_verdict(results: Results) -> Figure:
    """Loudest level played and highest clean level against frequency, limits and resonances.

    The clean area is filled as far as it is known, paler as far as it may reach, and empty where
    nothing is known. Hatched: what a limit takes off the loudest level, and where. Dashed:
    resonances more likely than not; a circle for one that lifts what lands on it, a triangle for
    one that is set off when it is played.

    Raises
    ------
    ValueError
        No level is known at two frequencies.
    """
    what = shown(results)
    if what is None:
        raise ValueError("results have no level at two frequencies: there is nothing to draw")
    with look.our_look():
        figure = look.new_figure(HEIGHT_IN)
        look.heading(figure, "Clean output", _subtitle(what))
        axes = look.add_axes(
            figure, left=look.LEFT_IN, bottom=_FOOT_IN, right=look.WIDTH_IN - _RIGHT_IN,
            top=HEIGHT_IN - look.HEAD_IN - _MARGIN_IN,
        )  # fmt: skip
        rows = _draw_axes(axes, what)
        if what.clean is not None:
            _draw_clean(axes, what.clean)
        for area in what.limits:
            _draw_limit(axes, area)
        _draw_loudest(axes, what)
        labels.name_resonances(axes, what.resonances, rows)
        labels.name_areas(axes, what)
    return figure


def _subtitle(what: Shown) -> str:
    """Say what the areas are, for the file of the figure: the page says it in its sentences."""
    words = "" if what.clean is None else f"Within {what.clean.limits}; pale: perhaps. "
    return words + ("Hatched: what is lost." if what.limits else "")


_FOOT_IN, _MARGIN_IN, _RIGHT_IN = 0.6, 0.1, 0.25


def _draw_axes(axes: Axes, what: Shown) -> list[int]:
    """Set ranges and names of axes; return the row of each resonance's label, 0 the lowest."""
    f = what.frequency_hz
    edges = f if what.clean is None else np.concatenate([f, what.clean.edges_hz.ravel()])
    low_hz, high_hz = float(np.min(edges)), float(np.max(edges))
    if high_hz < 2.0 * low_hz:  # a single tone, or two that are near
        low_hz, high_hz = low_hz / 2.0, high_hz * 2.0
    look.frequency_axis(look.reads(axes, "frequency"), low_hz, high_hz)
    rows = labels.rows_of(axes, what.resonances)
    tops = [what.loudest_db, *(area.unlimited_db for area in what.limits)]
    top = max(float(np.nanmax(one)) for one in tops)
    bottom = 5.0 * np.floor((top - SPAN_DB) / 5.0)
    # Above what is drawn: a row for names of areas, and those of the resonances.
    share = (1.5 + (1.0 + max(rows) if rows else 0.0)) * labels.row_share(axes)
    look.decibel_axis(axes, bottom, top + (top - bottom) * share / (1.0 - share), step=10.0)
    ticks = [tick for tick in axes.get_yticks() if tick <= top + 5.0]  # above are labels only
    look.set_ticks(axes.yaxis, ticks, [wording.signed(tick, 0) for tick in ticks])
    axes.tick_params(labelsize=labels.TEXT_POINTS - 1.0)
    axes.set_xlabel("Hz", fontsize=labels.TEXT_POINTS)
    axes.set_ylabel(what.scale, fontsize=labels.TEXT_POINTS)
    return rows


def _draw_clean(axes: Axes, area: CleanArea) -> None:
    """Fill what is clean as far as it is known, paler as far as it may be; a line at the edge."""
    bottom = axes.get_ylim()[0]
    pale = look.paler(look.EVEN)
    for first, end in area.stretches():
        if np.isneginf(area.sure_db[first:end]).all():
            continue
        x = area.edges_hz[first:end].ravel()
        sure = np.repeat(np.fmax(area.sure_db[first:end], bottom), 2)
        perhaps = np.fmax(np.repeat(area.perhaps_db[first:end], 2), sure)
        parts: list[Artist] = [
            axes.fill_between(x, bottom, sure, color=pale, linewidth=0.0, label="_clean", zorder=2),
            axes.fill_between(x, sure, perhaps, color=pale, alpha=0.4, linewidth=0.0,
                              label="_perhaps", zorder=2),
            *axes.plot(x, sure, color=look.EVEN, linewidth=2.0, label="_edge", zorder=4),
        ]  # fmt: skip
        look.belongs_to("clean", *parts)


def _draw_limit(axes: Axes, area: LimitArea) -> None:
    for first, end in runs_of(np.isfinite(area.unlimited_db)):
        x = area.frequency_hz[first:end]
        outline = np.concatenate([area.loudest_db[first:end], area.unlimited_db[first:end][::-1]])
        there = np.concatenate([x, x[::-1]])
        axes.fill(there, outline, facecolor=look.paler(look.RED), edgecolor=look.RED,
                  hatch="////", linewidth=1.0, label="_limit", zorder=3)  # fmt: skip


def _draw_loudest(axes: Axes, what: Shown) -> None:
    few = what.frequency_hz.size < 12
    lines = axes.plot(what.frequency_hz, what.loudest_db, color=look.INK, linewidth=2.2,
                      marker="o" if few else "none", label="loudest", zorder=5)  # fmt: skip
    look.belongs_to("loudest", *lines)


def _alternative(what: Shown) -> str:
    """Say what the figure shows, for those who cannot see it."""
    parts = ["Loudest level played, and highest clean level, against frequency."]
    parts += [
        f"{area.kind.capitalize()} from "
        f"{wording.frequency_range(float(area.frequency_hz[0]), float(area.frequency_hz[-1]))}."
        for area in what.limits
    ]
    if what.resonances:
        names = [wording.whole_hertz(one.frequency_hz) for one in what.resonances]
        parts.append(f"Resonances at {wording.listed(names)}.")
    return " ".join(parts)
