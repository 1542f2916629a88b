"""The verdict's figure: how loud it was played, how loud it stays clean, what acts where."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from distsweep.flag_runs import runs_of
from distsweep.report import look
from distsweep.report.content import Picture
from distsweep.report.verdict.leading import leading_takes
from distsweep.report.verdict.shown import CleanArea, LimitArea, Shown, figure_data, shown
from distsweep.results import Results
from distsweep.units import BoolArray, FloatArray
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

NAME = "verdict"
HEIGHT_IN = 3.4
TEXT_POINTS = 13.0
"""Size of the figure's text: 9 pixels where the page is 360 pixels wide (chosen: still legible)."""

SPAN_DB = 50.0
"""Levels farther below the loudest are cut off (chosen: bass that weak is no part of a verdict)."""

_ROOM_DB = 6.0
"""Height of a row of labels above the loudest level (chosen by eye for `TEXT_POINTS`)."""

_LABEL_OCTAVES = 1.2
"""Width of a resonance's label: two nearer than this stand in two rows (measured by eye)."""

_TAGS = {"thermal": "heat", "limiting": "held back"}
"""What is written at a limit, where its kind is no word for strangers."""


def picture(results: Results) -> Picture | None:
    """The figure; None where no level is known.

    Neither caption nor warning: what it can mislead about stands with the figures of clean levels
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
        "",
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
        look.heading(figure, "How loud, and how clean", "")
        axes = look.add_axes(
            figure, left=look.LEFT_IN, bottom=0.75, right=look.RIGHT_IN, top=HEIGHT_IN - 0.45
        )
        _draw_axes(axes, what)
        if what.clean is not None:
            _draw_clean(axes, what.clean)
        for area in what.limits:
            _draw_limit(axes, area)
        _draw_loudest(axes, what)
        _draw_resonances(axes, what)
        _name_areas(axes, what)
    return figure


def _draw_axes(axes: Axes, what: Shown) -> None:
    f = what.frequency_hz
    edges = f if what.clean is None else np.concatenate([f, what.clean.edges_hz.ravel()])
    low_hz, high_hz = float(np.min(edges)), float(np.max(edges))
    if high_hz < 2.0 * low_hz:  # a single tone, or two that are near
        low_hz, high_hz = low_hz / 2.0, high_hz * 2.0
    look.frequency_axis(look.reads(axes, "frequency"), low_hz, high_hz)
    top = float(np.nanmax(what.loudest_db))
    rows = 1 + len(set(_rows(what))) if what.resonances else 1
    bottom = 5.0 * np.floor((top - SPAN_DB) / 5.0)
    look.decibel_axis(axes, bottom, top + (1.5 + rows) * _ROOM_DB, step=10.0)
    ticks = [tick for tick in axes.get_yticks() if tick <= top + 5.0]  # above are labels only
    look.set_ticks(axes.yaxis, ticks, [wording.signed(tick, 0) for tick in ticks])
    axes.tick_params(labelsize=TEXT_POINTS - 1.0)
    axes.set_xlabel("Hz", fontsize=TEXT_POINTS - 1.0)
    axes.set_ylabel("dB SPL" if what.unit == "dB SPL" else "drive, dBFS", fontsize=TEXT_POINTS)


def _draw_clean(axes: Axes, area: CleanArea) -> None:
    """Fill what is clean as far as it is known, paler as far as it may be; a line at the edge."""
    bottom = axes.get_ylim()[0]
    pale = look.paler(look.EVEN)
    for first, end in _neighbours(area):
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


def _neighbours(area: CleanArea) -> Iterator[tuple[int, int]]:
    """Return the runs of places that are known and share edges: their outline is a stair."""
    for first, end in runs_of(np.isfinite(area.sure_db)):
        apart = area.edges_hz[first + 1 : end, 0] > area.edges_hz[first : end - 1, 1] * 1.001
        starts = [first, *(first + 1 + np.flatnonzero(apart)), end]
        yield from pairwise(int(one) for one in starts)


def _draw_limit(axes: Axes, area: LimitArea) -> None:
    for first, end in runs_of(np.isfinite(area.unlimited_db)):
        part = slice(first, end)
        axes.fill_between(
            area.frequency_hz[part], area.loudest_db[part], area.unlimited_db[part],
            facecolor="none", edgecolor=look.RED, hatch="/////", linewidth=1.0, label="_limit",
            zorder=3,
        )  # fmt: skip


def _draw_loudest(axes: Axes, what: Shown) -> None:
    few = what.frequency_hz.size < 12
    lines = axes.plot(what.frequency_hz, what.loudest_db, color=look.INK, linewidth=2.2,
                      marker="o" if few else "none", label="loudest", zorder=5)  # fmt: skip
    look.belongs_to("loudest", *lines)


def _rows(what: Shown) -> list[int]:
    """Give each resonance's label a row, 0 the lowest, so that no two of a row overlap."""
    last = [-np.inf, -np.inf, -np.inf]
    rows = {}
    for index in np.argsort([one.frequency_hz for one in what.resonances]):
        place = float(np.log2(what.resonances[index].frequency_hz))
        row = next((k for k, end in enumerate(last) if place - end >= _LABEL_OCTAVES), 2)
        last[row] = place
        rows[int(index)] = row
    return [rows[k] for k in range(len(what.resonances))]


def _draw_resonances(axes: Axes, what: Shown) -> None:
    bottom, top = axes.get_ylim()
    rows = _rows(what)
    for one, row in zip(what.resonances, rows, strict=True):
        height = top - (max(rows) - row + 1.0) * _ROOM_DB
        axes.vlines(one.frequency_hz, bottom, height, color=look.ODD, linewidth=1.4,
                    linestyle="--", label="_resonance", zorder=6)  # fmt: skip
        axes.plot([one.frequency_hz], [height], marker="o" if one.kind == "radiated" else "^",
                  color=look.ODD, markersize=6.0, label="_resonance", zorder=6)  # fmt: skip
        axes.text(one.frequency_hz, height + 0.15 * _ROOM_DB,
                  wording.whole_hertz(one.frequency_hz), color=look.ODD, ha="center", va="bottom",
                  fontsize=TEXT_POINTS, label="_resonance", zorder=7,
                  bbox={"facecolor": look.PAPER, "edgecolor": "none", "pad": 0.5})  # fmt: skip
    if what.resonances:
        word = "resonances" if len(what.resonances) > 1 else "resonance"
        axes.text(0.01, 0.985, word, transform=axes.transAxes, color=look.ODD, ha="left", va="top",
                  fontsize=TEXT_POINTS, label="_name")  # fmt: skip


def _name_areas(axes: Axes, what: Shown) -> None:
    """Write on each area what it is; no key is needed."""
    f, loudest = what.frequency_hz, what.loudest_db
    if what.clean is not None:
        _name_clean(axes, what.clean, f, loudest)
    for area in what.limits:
        place = float(np.sqrt(area.frequency_hz[0] * area.frequency_hz[-1]))
        top = float(np.nanmax(area.unlimited_db))
        _write(axes, place, top + 0.7 * _ROOM_DB, _TAGS.get(area.kind, area.kind), look.RED)
    at = f[np.isfinite(loudest)][-1]
    axes.text(at, _near(f, loudest, at) + 0.25 * _ROOM_DB, "loudest played ", color=look.INK,
              ha="right", va="bottom", fontsize=TEXT_POINTS, label="_name", zorder=7)  # fmt: skip


def _name_clean(axes: Axes, area: CleanArea, f: FloatArray, loudest: FloatArray) -> None:
    """Name what is clean, and above it what is not, where there is room for the words."""
    bottom = axes.get_ylim()[0]
    sure = np.where(np.isnan(area.sure_db), bottom, np.fmax(area.sure_db, bottom))
    run = _widest(area.frequency_hz, sure > bottom + 2.0 * _ROOM_DB)
    if run is not None:
        middle = bottom + 0.5 * float(np.min(sure[run] - bottom))
        _write(axes, _centre(area.frequency_hz[run]), middle, "clean", look.EVEN)
    known = np.isfinite(loudest)
    top = np.interp(np.log(area.frequency_hz), np.log(f[known]), loudest[known])
    past = np.where(np.isneginf(area.perhaps_db), bottom, np.fmax(area.perhaps_db, bottom))
    run = _widest(area.frequency_hz, top - past > 1.5 * _ROOM_DB)
    if run is not None:
        middle = float(np.median(top[run] + past[run])) / 2.0
        _write(axes, _centre(area.frequency_hz[run]), middle, "not clean", look.QUIET_INK)


def _centre(f: FloatArray) -> float:
    return float(np.sqrt(f[0] * f[-1]))


def _near(f: FloatArray, loudest: FloatArray, at: float) -> float:
    """Return the loudest level over the two octaves below a frequency."""
    there = np.isfinite(loudest) & (f >= at / 8.0) & (f <= at)
    return float(np.max(loudest[there]))


def _widest(f: FloatArray, flags: BoolArray) -> slice | None:
    """Return the widest run of flags; None where none is as wide as a word."""
    runs = [run for run in runs_of(flags) if f[run[1] - 1] >= f[run[0]] * 2.0**_LABEL_OCTAVES]
    return slice(*max(runs, key=lambda run: run[1] - run[0])) if runs else None


def _write(axes: Axes, at_hz: float, level_db: float, text: str, colour: str) -> None:
    axes.text(at_hz, level_db, text, color=colour, ha="center", va="center", weight="bold",
              fontsize=TEXT_POINTS, label="_name", zorder=7,
              bbox={"facecolor": look.PAPER, "alpha": 0.8, "edgecolor": "none", "pad": 1.0},
              )  # fmt: skip


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
