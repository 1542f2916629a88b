"""The figure of the highest clean level."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from distsweep.analysis.third_octave import band_edges_hz
from distsweep.report import look
from distsweep.report.aspect import ResponseAxis, response_axis
from distsweep.report.clean_level.levels import in_state, limit_words, shown
from distsweep.report.content import Picture
from distsweep.report.figure_data import Curve, FigureData
from distsweep.results import CleanLevel, Take
from distsweep.units import FloatArray
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

PANEL_IN, GAP_IN, FOOT_IN, HEAD_IN = 1.72, 0.66, 0.58, 1.06
TONE_HALF_WIDTH = 1.05
"""Ratio of frequencies from a tone to either side of its box (chosen by eye)."""

HATCH = "////"
BAND_SHARE = 0.22
"""Opacity of an interval (chosen by eye, as on the charts of ladders)."""


def picture(take: Take, name: str) -> Picture:
    """The figure with its caption."""
    over = "for each tone" if take.staircase else "over thirds of an octave"
    return Picture(
        f"{name}-clean-level",
        partial(plot_clean_level, take),
        "Highest clean level against frequency.",
        f"In {wording.level_unit(take)}, {over}.",
        "It holds for steady sines at this place. Where wide steps of level leave open from where"
        " on a limit is passed, smaller steps tell more. Nothing is stated beyond the loudest.",
        data=partial(data, take),
        position=take.position,
    )


def data(take: Take) -> FigureData:
    """The highest clean level by each pair of limits, and what was reached at single frequencies.

    Where a limit was not reached, or lies between two levels, only the ends that are known stand.
    """
    curves = []
    for number, (clean, colour) in enumerate(_coloured(take)):
        key, name, unit = _limit_key(number), limit_words(clean), wording.level_unit(take)
        quantity = f"Highest clean level, {unit}"
        curves.append(Curve(key, name, quantity, clean.frequency_hz, *_shown(clean), colour=colour))
        fine = _fine_of(take, clean)
        if fine is not None:
            curves.append(
                Curve(f"{key}-fine", f"{name}, at each frequency", quantity, fine.frequency_hz,
                      _reached(fine), colour=look.paler(colour))
            )  # fmt: skip
    return FigureData("frequency", curves)


def _coloured(take: Take) -> list[tuple[CleanLevel, str]]:
    """Return what each panel shows, and its colour."""
    found = shown(take)
    return list(zip(found, look.level_colours(len(found)), strict=True))


def _limit_key(number: int) -> str:
    return f"limit-{number}"


def _reached(clean: CleanLevel) -> FloatArray:
    return np.where(in_state(clean, "reached"), clean.level_db, np.nan)


def _shown(clean: CleanLevel) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return values where the limit was reached, and the ends of what is known, as drawn."""
    between = in_state(clean, "reached", "bracketed")
    at_least, below = (in_state(clean, state) for state in ("not reached", "below"))
    low = np.where(between | at_least, clean.low_db, np.where(below, -np.inf, np.nan))
    return _reached(clean), low, np.where(between | below, clean.high_db, np.nan)


def plot_clean_level(take: Take) -> Figure:
    """Highest clean level against frequency, one panel for each pair of limits.

    Each state has a shape of its own, so that none rests on colour: a bar for a level that was
    reached, a hatched box for one that lies between two, a triangle that points up for "at
    least", one that points down for "below", and a cross at the foot where nothing is known. A
    thin line joins what was reached at single points of a ladder's grid.

    Raises
    ------
    ValueError
        The take holds no clean level of distortion and compression together.
    """
    found = shown(take)
    if not found:
        raise ValueError("take has no clean level: it needs two levels or more")
    with look.our_look():
        axis = _axis(take, found)
        height = FOOT_IN + len(found) * (PANEL_IN + GAP_IN) + HEAD_IN - GAP_IN
        height += len(found) * (axis.height_in - PANEL_IN)
        figure = look.new_figure(height)
        look.heading(
            figure,
            "Highest clean level",
            "The highest level that keeps within the limits, whichever comes first."
            + ("" if take.staircase else " Thin line: at each frequency, where reached."),
        )
        top = height - HEAD_IN
        for number, (clean, colour) in enumerate(_coloured(take)):
            axes = look.add_axes(
                figure, left=look.LEFT_IN, bottom=top - axis.height_in, right=look.RIGHT_IN, top=top
            )
            top -= axis.height_in + GAP_IN
            limits_db = (axis.low_db, axis.high_db)
            _panel(axes, take, clean, colour, limits_db, key=_limit_key(number))
            if number == 0:
                look.note(axes, axis.words)
            if number == len(found) // 2:  # for all: beside each it would not fit
                axes.set_ylabel(wording.level_axis(take))
        axes.set_xlabel(wording.EXCITATION_AXIS)
        look.key(figure, _legend(look.INK), columns=5)
    return figure


def _axis(take: Take, found: list[CleanLevel]) -> ResponseAxis:
    """Return the axis of all panels, so that they compare; some room is left at the foot."""
    ends = np.concatenate([part for c in found for part in (c.level_db, c.low_db, c.high_db)])
    ends = ends[np.isfinite(ends)]
    low_hz, high_hz = look.frequency_limits(*_ends_hz(take, _edges(take, found[0])))
    return response_axis(
        float(ends.min()) - 3.0,
        float(ends.max()),
        decade_in=look.decade_in(low_hz, high_hz),
        height_in=PANEL_IN,
        most_in=1.6 * PANEL_IN,
    )


def _ends_hz(take: Take, edges: FloatArray) -> tuple[float, float]:
    """Return the ends of the frequency axis, which hold the band and what is drawn."""
    band, wide = take.frequency_hz, 1.15 if take.staircase else 1.0
    return (min(float(band.min()) / wide, float(edges[0, 0])),
            max(float(band.max()) * wide, float(edges[-1, 1])))  # fmt: skip


def _panel(
    axes: Axes, take: Take, clean: CleanLevel, colour: str, limits_db: tuple[float, float], *,
    key: str,
) -> None:  # fmt: skip
    edges = _edges(take, clean)
    look.frequency_axis(axes, *look.frequency_limits(*_ends_hz(take, edges)))
    look.decibel_axis(look.reads(axes, "frequency"), *limits_db)
    axes.set_title(limit_words(clean), loc="left")
    _draw_fine(axes, take, clean, colour, key=key)
    look.belongs_to(
        key, *_draw_spans(axes, clean, edges, colour), *_draw_marks(axes, clean, colour)
    )


def _draw_spans(axes: Axes, clean: CleanLevel, edges: FloatArray, colour: str) -> list[Artist]:
    """Draw what was reached as bars with their intervals, what lies between two levels as boxes."""
    drawn: list[Artist] = []
    for i in np.flatnonzero(in_state(clean, "reached")):
        drawn.append(
            look.draw_boxes(axes, [tuple(edges[i])], clean.low_db[i], clean.high_db[i],
                            color=colour, alpha=BAND_SHARE, label="_interval", zorder=3)
        )  # fmt: skip
        drawn += axes.plot(edges[i], [clean.level_db[i]] * 2, color=colour, linewidth=2.6,
                           solid_capstyle="butt", label="_reached", zorder=4)  # fmt: skip
    for i in np.flatnonzero(in_state(clean, "bracketed")):
        left, right = edges[i]
        bottom, top = clean.low_db[i], clean.high_db[i]
        if np.isfinite(bottom) and np.isfinite(top):
            drawn += axes.bar(left, top - bottom, width=right - left, bottom=bottom, align="edge",
                              fill=False, edgecolor=colour, hatch=HATCH, linewidth=0.8,
                              label="_bracketed", zorder=3)  # fmt: skip
    return drawn


def _draw_marks(axes: Axes, clean: CleanLevel, colour: str) -> list[Artist]:
    """Draw triangles where only one end is known, crosses at the foot where nothing is."""
    f, (low_db, high_db) = clean.frequency_hz, axes.get_ylim()
    drawn: list[Artist] = []
    for state, marker, level in (("not reached", "^", clean.low_db), ("below", "v", clean.high_db)):
        flags = in_state(clean, state) & np.isfinite(level)
        drawn += axes.plot(f[flags], level[flags], linestyle="none", marker=marker, markersize=5.0,
                           color=colour, markerfacecolor=look.PAPER, label=f"_{state}",
                           zorder=4)  # fmt: skip
    nothing = in_state(clean, "unknown", "contradicted")
    foot = low_db + 0.06 * (high_db - low_db)
    drawn += axes.plot(f[nothing], np.full(int(np.sum(nothing)), foot), linestyle="none",
                       marker="x", markersize=4.0, color=look.QUIET_INK, label="_unknown",
                       zorder=4)  # fmt: skip
    return drawn


def _draw_fine(axes: Axes, take: Take, clean: CleanLevel, colour: str, *, key: str) -> None:
    """Draw what was reached at single points of the grid, thin, where a ladder has a grid."""
    fine = _fine_of(take, clean)
    if fine is not None:
        line = axes.plot(fine.frequency_hz, _reached(fine), color=look.paler(colour), linewidth=0.8,
                         label="_each frequency", zorder=2)  # fmt: skip
        look.belongs_to(f"{key}-fine", *line)


def _fine_of(take: Take, clean: CleanLevel) -> CleanLevel | None:
    """Return the clean level at single frequencies by the same limits; None of a staircase."""
    if take.staircase:
        return None
    limits = (clean.thd_percent, clean.compression_db)
    return next(
        (fine for fine in take.clean_level if (fine.thd_percent, fine.compression_db) == limits),
        None,
    )


def _edges(take: Take, clean: CleanLevel) -> FloatArray:
    """Return from where to where each place is drawn, Hz, shape ``(B, 2)``."""
    if take.staircase:
        ratio = np.array([1.0 / TONE_HALF_WIDTH, TONE_HALF_WIDTH])
        return np.asarray(clean.frequency_hz[:, None] * ratio)
    return np.array([band_edges_hz(float(f)) for f in clean.frequency_hz])


def _legend(colour: str) -> list[Line2D | Patch]:
    mark = {"linestyle": "none", "markerfacecolor": look.PAPER}
    return [
        look.key_line("reached", colour, linewidth=2.6),
        look.key_patch("between", fill=False, edgecolor=colour, hatch=HATCH),
        look.key_line("at least", colour, marker="^", **mark),
        look.key_line("below", colour, marker="v", **mark),
        look.key_line("nothing known", colour, linestyle="none", marker="x", markersize=4.0),
    ]
