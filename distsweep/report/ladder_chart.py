"""A chart with one line a rung, and under it a strip that says how far to trust each line.

Reliable stretches are full lines; between them thinner ones are averages over fractions of an
octave, if these are reliable. What is uncertain is a hair line in a paler shade, without a tag,
so that it shows a course and is not read off; noise is not drawn, as it would be read as
data whatever its style. Shades along a line are its interval. The strip says the same in bars, and
serves as the legend. A second one says where the recording is damaged, if it is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from distsweep.flag_runs import runs_of
from distsweep.report import look
from distsweep.report.damage import strip as damage
from distsweep.report.lines import Line
from distsweep.report.reliability import beside, only
from distsweep.report.rung_curves import rung_key
from distsweep.report.tags import place_tags
from distsweep.results import Rung, Take
from distsweep.units import BoolArray, FloatArray
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_STRIP_BOTTOM_IN, _GAP_IN, _HEAD_IN = 0.57, 0.29, 0.80
MAIN_IN = 3.45
"""Height of the main axes (chosen: over the usual three decades 50 dB are then as high as two of
them are long, and 100 dB as one)."""

_ROW_IN, _CLOSE_ROW_IN, _MOST_WIDE_ROWS = 0.22, 0.165, 6
"""Rows of the strip, and rows where there are more: then every second has its name only where the
page enlarges text."""


STATES = (
    "Thick bar: within 1.5 dB.  Medium: an average within it.  Thin: wider."
    "  None: no more than noise"
)
STATES_WITHOUT_INTERVALS = (
    "Thick bar: within 1.5 dB.  Thin: noise may move it by several dB.  None: noise"
)
ONE_STATE = "Where the bar runs both levels stand clear of the noise; in the gaps nothing is drawn"
SHADED = ".  Shaded: the 95 % interval"
_SPECKS = 0.05  # share of the grid; noise alone passes its 6 dB margin at one point in fifty
_LAST_MARKED_ORDER = 5  # the steps of higher orders are too small to see, and too close
_LAST_ROOMY_ORDER = 3  # the names of higher ones would overlap where a page enlarges them
_BAR, _AVERAGE_BAR, _HAIR_BAR = 0.54, 0.28, 0.10  # heights of the strip's bars, in rows
AVERAGE_WIDTH = 0.6
"""Width of an average's line re that of a full one (chosen by eye)."""


def draw_ladder(
    take: Take,
    lines: list[Line],
    *,
    title: str,
    subtitle: str,
    limits_db: tuple[float, float],
    main_in: float = MAIN_IN,
    legend: str = "",
) -> tuple[Figure, Axes]:
    """Draw one line a rung over the strip that is its legend; return figure and main axes."""
    damage_in = damage.height_in(take)
    strip_bottom = _STRIP_BOTTOM_IN + damage_in
    strip_top = strip_bottom + max(2, len(take.rungs)) * _row_in(take) + 0.06
    main_bottom = strip_top + _GAP_IN
    figure = look.new_figure(main_bottom + main_in + _HEAD_IN)
    sides: dict[str, Any] = {"left": look.LEFT_IN, "right": look.RIGHT_IN}
    main = look.add_axes(figure, bottom=main_bottom, top=main_bottom + main_in, **sides)
    strip = look.add_axes(figure, bottom=strip_bottom, top=strip_top, beside=main, **sides)
    look.heading(figure, title, subtitle)
    low_hz, high_hz = look.frequency_limits(*take.frequency_hz[[0, -1]].tolist())
    for axes in (main, strip):
        look.frequency_axis(look.reads(axes, "frequency"), low_hz, high_hz)
    look.decibel_axis(main, *limits_db)
    main.tick_params(axis="x", which="both", labelbottom=False)
    _draw_lines(main, take, lines)
    _draw_strip(strip, take, lines, legend or _states_legend(take, lines))
    if damage_in:
        strip.tick_params(axis="x", which="both", labelbottom=False)
        strip = damage.draw(figure, take, bottom=_STRIP_BOTTOM_IN, beside=main, **sides)
    strip.set_xlabel(wording.EXCITATION_AXIS)
    return figure, main


def _row_in(take: Take) -> float:
    return _ROW_IN if len(take.rungs) <= _MOST_WIDE_ROWS else _CLOSE_ROW_IN


def _ranks(take: Take) -> list[int]:
    """Place of each rung from quietest (0) to loudest."""
    order = np.argsort([rung.drive_dbfs for rung in take.rungs], kind="stable")
    ranks = np.empty(len(order), dtype=int)
    ranks[order] = np.arange(len(order))
    return [int(rank) for rank in ranks]


def _draw_lines(axes: Axes, take: Take, lines: list[Line]) -> None:
    count = len(lines)
    colours, widths = look.level_colours(count), look.level_widths(count)
    ranks = _ranks(take)
    for index, (line, rung, rank) in enumerate(zip(lines, take.rungs, ranks, strict=True)):
        with look.drawn_as(axes, rung_key(index)):
            draw_line(axes, take.frequency_hz, line, colours[rank],
                      name=wording.drive(rung.drive_dbfs), width=widths[rank],
                      zorder=3 + rank / 50)  # fmt: skip
    if not any(np.isfinite(line.shown).any() for line in lines):
        look.say(axes, "Nothing can be shown here:\nno value stands clear of the noise, unclipped",
                 fontsize=10.0)  # fmt: skip
    _draw_tags(axes, take, lines)


def draw_line(
    axes: Axes,
    frequency_hz: FloatArray,
    line: Line,
    colour: str,
    *,
    width: float,
    name: str = "",
    zorder: float = 3.0,
    dash: Any = "-",
) -> None:
    """Draw a curve with its interval: what is reliable full, averages thinner, the rest pale."""
    shown = only(line.values, line.standing.reliable)
    axes.plot(frequency_hz, shown, color=colour, linewidth=width, zorder=zorder, linestyle=dash,
              label=name or "_reliable")  # fmt: skip
    draw_lone_points(axes, frequency_hz, shown, colour)
    if line.high_db.size:
        _draw_band(axes, frequency_hz, (line.low_db, line.high_db), line.standing.reliable, colour,
                   width=width)  # fmt: skip
    average, reliable = line.average, line.standing.reliable
    pale = beside(line.uncertain, reliable | line.averaged)
    axes.plot(frequency_hz, only(line.shown, pale), color=look.paler(colour), zorder=2.5,
              linewidth=look.HAIR_LINE, label=f"_uncertain {name}".rstrip())  # fmt: skip
    if average is None:
        return
    axes.plot(frequency_hz, only(line.shown, beside(line.averaged, reliable)), color=colour,
              linewidth=AVERAGE_WIDTH * width, label=f"_average {name}".rstrip(),
              linestyle=dash, zorder=zorder)  # fmt: skip
    both = line.averaged | line.uncertain
    _draw_band(axes, frequency_hz, (average.low_db, average.high_db), both, colour,
               width=AVERAGE_WIDTH * width)  # fmt: skip
    _draw_peaks(axes, frequency_hz, line, colour)


def _draw_band(
    axes: Axes,
    frequency_hz: FloatArray,
    ends_db: tuple[FloatArray, FloatArray],
    flags: BoolArray,
    colour: str,
    *,
    width: float,
) -> None:
    """Shade an interval in the curve's colour, where it is wider than the curve's own line."""
    low_db, high_db = ends_db
    with np.errstate(invalid="ignore"):
        wide = flags & (high_db - low_db >= look.points_to_db(axes, width))
    if wide.any():
        look.fill_band(axes, frequency_hz, only(low_db, wide), only(high_db, wide), color=colour,
                       alpha=look.BAND_SHARE, label="_interval", zorder=2.2)  # fmt: skip


def _draw_peaks(axes: Axes, frequency_hz: FloatArray, line: Line, colour: str) -> None:
    """Mark by diamonds what surely stands out of the average: one a stretch, at its top."""
    if line.average is None or not line.average.peaks.any():
        return
    tops = [a + int(np.argmax(line.values[a:b])) for a, b in runs_of(line.average.peaks)]
    axes.plot(frequency_hz[tops], line.values[tops], linestyle="none", marker="d", markersize=4.5,
              markerfacecolor=look.PAPER, markeredgecolor=colour, markeredgewidth=0.9,
              label="_stands out", zorder=4)  # fmt: skip


def draw_lone_points(axes: Axes, frequency_hz: FloatArray, shown: FloatArray, colour: str) -> None:
    """Mark reliable points without a neighbour, which a line would leave out, by dots."""
    lone = [a for a, b in runs_of(np.isfinite(shown)) if b - a == 1]
    if lone:
        axes.plot(frequency_hz[lone], shown[lone], linestyle="none", marker="o", markersize=2.2,
                  markerfacecolor=colour, markeredgewidth=0.0, label="_lone",
                  zorder=3)  # fmt: skip


def _draw_tags(axes: Axes, take: Take, lines: list[Line]) -> None:
    """Write each rung's drive on its line, where there is room."""
    low_db, high_db = axes.get_ylim()
    low, high = np.log(axes.get_xlim())
    width_in, height_in = (float(side) / axes.figure.dpi for side in axes.bbox.size)
    x = (np.log(take.frequency_hz) - low) / max(float(high - low), 1e-9) * width_in
    heights = [(line.tagged_values() - low_db) / (high_db - low_db) * height_in for line in lines]
    places = place_tags(x, heights, size=(0.34, 0.14), box=(width_in, height_in))
    colours = look.level_colours(len(lines))
    ranks = _ranks(take)
    for index, (line, rank, at) in enumerate(zip(lines, ranks, places, strict=True)):
        if at is None:
            continue
        weight = "bold" if line.is_known else "normal"
        with look.drawn_as(axes, rung_key(index)):
            look.tag(axes, float(take.frequency_hz[at]), float(line.shown[at]),
                     wording.plain(take.rungs[index].drive_dbfs), weight=weight,
                     color=colours[rank], label=f"_tag {rank}")  # fmt: skip


def _draw_strip(axes: Axes, take: Take, lines: list[Line], legend: str) -> None:
    count = len(lines)
    colours = look.level_colours(count)
    edges_hz = _cell_edges(take.frequency_hz)
    rows = zip(lines, take.rungs, _ranks(take), strict=True)
    for index, (line, rung, rank) in enumerate(rows):
        for flags, height, kind in ((line.standing.reliable, _BAR, "_bar"),
                                    (line.averaged, _AVERAGE_BAR, "_average bar"),
                                    (line.uncertain, _HAIR_BAR, "_hair bar")):  # fmt: skip
            bars = [(edges_hz[a], edges_hz[b]) for a, b in runs_of(flags)]
            if bars:
                look.belongs_to(rung_key(index), look.draw_boxes(
                    axes, bars, rank - height / 2, rank + height / 2, facecolor=colours[rank],
                    label=f"{kind} {rank}",
                ))  # fmt: skip
        close = _row_in(take) < _ROW_IN
        _name_row(axes, rung, rank, fine=close and (count - 1 - rank) % 2 == 1)
        remark = line.remark or _remark(line, clipped=rung.clipped)
        if remark:
            start_hz = float(take.frequency_hz[_widest_gap_start(line)])
            axes.text(start_hz * 1.03, rank, remark, va="center",
                      fontsize=look.SMALL, color=look.QUIET_INK, gid="fine")  # fmt: skip
    axes.set_ylim(-0.6, max(2, count) - 0.4)
    axes.set_yticks([])
    axes.grid(False, axis="y")
    axes.spines["left"].set_visible(False)
    axes.annotate(legend, (0.0, 1.0), (-55.0, 4.0), xycoords="axes fraction", ha="left",
                  textcoords="offset points", va="bottom", fontsize=look.SMALL, gid="fine",
                  color=look.QUIET_INK)  # fmt: skip


def _states_legend(take: Take, lines: list[Line]) -> str:
    known = any(line.high_db.size for line in lines)
    clipped = any(rung.clipped for rung in take.rungs)
    return (STATES if known else STATES_WITHOUT_INTERVALS) + (", or clipped" if clipped else "")


def _name_row(axes: Axes, rung: Rung, rank: int, *, fine: bool) -> None:
    """Write a rung's level left of its row, its drive right of it; in red where it clipped.

    On a small screen the level has no room, nor has the drive of a ``fine`` row.
    """
    level = "" if rung.spl_db is None else wording.decibels(rung.spl_db, "dB SPL")
    name, colour = wording.drive(rung.drive_dbfs), look.INK
    if rung.clipped:
        name, colour = f"{wording.plain(rung.drive_dbfs)}, clipped", look.RED
    for text, place, side, gid in (
        (level, -0.008, "right", "fine"), (name, 1.008, "left", "fine" if fine else None)
    ):  # fmt: skip
        axes.text(place, rank, text, transform=axes.get_yaxis_transform(), ha=side, va="center",
                  fontsize=look.SMALL, color=colour, gid=gid)  # fmt: skip


def _remark(line: Line, *, clipped: bool) -> str:
    if clipped or line.is_known:
        return ""
    if not line.uncertain.any():
        return "all in the noise"
    return "nearly all in the noise" if np.mean(line.uncertain) < _SPECKS else ""


def _widest_gap_start(line: Line) -> int:
    """Index at which the widest stretch without a bar begins; 0 when there is none."""
    gaps = runs_of(np.isnan(line.shown))
    return max(gaps, key=lambda gap: gap[1] - gap[0])[0] if gaps else 0


def _cell_edges(frequency_hz: FloatArray) -> FloatArray:
    """Edges half-way (on a log scale) between grid points, ``(F + 1,)``."""
    if frequency_hz.size < 2:
        return np.array([frequency_hz[0] * 0.98, frequency_hz[0] * 1.02])
    middle = np.sqrt(frequency_hz[1:] * frequency_hz[:-1])
    return np.concatenate(([frequency_hz[0]], middle, [frequency_hz[-1]]))


def mark_order_ends(axes: Axes, ends_hz: dict[int, float]) -> None:
    """Mark along the top where the lowest harmonics leave the band, and THD sums one less."""
    named = [order for order in sorted(ends_hz) if order <= _LAST_MARKED_ORDER]
    if not named:
        return
    transform = axes.get_xaxis_transform()
    for order in named:
        place_hz = ends_hz[order]
        axes.plot([place_hz, place_hz], [0.982, 1.0], transform=transform, color=look.QUIET_INK,
                  linewidth=0.8, label=f"_end {order}", zorder=2)  # fmt: skip
        _above(axes, place_hz, f"H{order}", 0.0, ha="center",
               gid="fine" if order > _LAST_ROOMY_ORDER else None)  # fmt: skip
    _above(axes, ends_hz[named[-1]], "out of band above:", -7.0, ha="right", gid="fine")


def _above(axes: Axes, place_hz: float, text: str, aside_points: float, **style: Any) -> None:
    """Write above the axes' top at a frequency, while that is between their limits."""
    axes.annotate(text, (place_hz, 0.99), (aside_points, 4.5), xycoords=axes.get_xaxis_transform(),
                  textcoords="offset points", va="bottom", annotation_clip=True,
                  fontsize=look.SMALL, color=look.QUIET_INK, **style)  # fmt: skip


def lines_caption(take: Take) -> str:
    """How many lines a chart of this take holds, and at which drives."""
    drives = [rung.drive_dbfs for rung in take.rungs]
    if len(drives) == 1:
        return f"one line at {wording.drive(drives[0])} drive"
    ends = f"{wording.drive(min(drives))} to {wording.drive(max(drives))}"
    return f"{len(drives)} lines from {ends} drive"


def need_rungs(take: Take) -> None:
    """Refuse a take without a ladder.

    Raises
    ------
    ValueError
        The take holds no rung.
    """
    if not take.rungs:
        raise ValueError("take holds no rung: only a ladder can be drawn against frequency")


def drawn_values(lines: list[Line]) -> tuple[FloatArray, FloatArray]:
    """All values that are drawn full, as averages or as peaks, and all that are drawn pale."""
    known = [line.shown[line.standing.reliable | line.averaged] for line in lines]
    known += [line.values[line.average.peaks] for line in lines if line.average is not None]
    return np.concatenate(known), np.concatenate([line.shown[line.uncertain] for line in lines])


def states_caption(lines: list[Line]) -> str:
    """How to read the lines of a figure, for its caption."""
    if not any(line.high_db.size for line in lines):
        return (
            "Noise moves a full line by less than 1.5 dB, but may move a thin pale one by several; "
            "what is no more than noise is not drawn."
        )
    peaks = any(line.average is not None and line.average.peaks.any() for line in lines)
    return (
        "Full lines: single frequencies, known within 1.5 dB (95 %). Thinner: where noise hides "
        "these, the average over 1/12, 1/6 or 1/3 octave, the finest that is known as well. Pale: "
        "the average over 1/3 octave, less well known. Shaded: the interval. What may be nothing "
        "is not drawn."
        + (" Diamonds: what stands out of the average beyond what noise makes." if peaks else "")
    )
