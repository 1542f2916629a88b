"""Curves of all sources in one axes at the same drive or level, and below them what they differ by.

Sources are told apart by colour and dash, levels by the lines' width: the loudest is the widest.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from distsweep.comparison.record import Difference
from distsweep.report import look
from distsweep.report.aspect import ResponseAxis, response_axis
from distsweep.report.comparison.compared import Compared, is_at, level_name, level_words
from distsweep.report.comparison.curves import (
    FUNDAMENTAL,
    GAIN_CHANGE,
    THD,
    difference_line,
    ladder_at,
    source_line,
)
from distsweep.report.comparison.strokes import Stroke, stroke_of
from distsweep.report.distortion.thd import thd_limits
from distsweep.report.figure_data import Curve, FigureData
from distsweep.report.ladder_chart import draw_line, drawn_values
from distsweep.report.lines import Line
from distsweep.report.rung_curves import ends_shown, with_averages
from distsweep.report.tags import place_tags
from distsweep.units import FloatArray
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTHS = (1.6, 0.9)
"""Points, of the loudest level's lines and of the other's (chosen by eye)."""

MAIN_IN, _BELOW_IN, _GAP_IN, _FOOT_IN = 2.75, 1.35, 0.42, 0.57
_KEY_COLUMNS, _KEY_ROW_IN = 3, 0.17
_LEAST_DB, _MOST_DB = 1.5, 20.0
"""Ends of the axis of differences, least and most (chosen: trifles look like trifles; beyond, a
difference is where one side has a null)."""


@dataclass(frozen=True)
class Drawn:
    """One line of the figure: whose, at which level (0: the loudest), its numbers, its looks."""

    key: str
    name: str
    source: int
    rank: int
    x: FloatArray
    line: Line

    @property
    def stroke(self) -> Stroke:
        """Colour and dash of its source."""
        return stroke_of(self.source)

    @property
    def width(self) -> float:
        """Width of its line, points."""
        return WIDTHS[min(self.rank, len(WIDTHS) - 1)]

    def curve(self, quantity: str, *, re_fundamental: bool = False) -> Curve:
        """Return the numbers that are drawn."""
        low, high = ends_shown(self.line)
        return Curve(self.key, self.name, quantity, self.x, self.line.shown, low, high,
                     re_fundamental=re_fundamental, colour=self.stroke.colour,
                     dash=self.stroke.css_dash)  # fmt: skip


@dataclass(frozen=True)
class Overlay:
    """A quantity of all sources at a position, at the levels that are shown."""

    compared: Compared
    quantity: str
    position: str

    @cached_property
    def levels(self) -> list[float]:
        """Levels shown, the loudest first."""
        return self.compared.shown_levels(self.quantity, self.position)

    @cached_property
    def aligned(self) -> str:
        """What is equal on all sides."""
        return self.compared.of(self.quantity, self.position)[0].aligned

    @cached_property
    def lines(self) -> list[Drawn]:
        """Curves of the sources, those of the loudest level first."""
        return [
            Drawn(f"source-{source}-{rank}", self._name(source, level), source, rank,
                  take.frequency_hz, line)
            for rank, level in enumerate(self.levels)
            for source, results in enumerate(self.compared.sources)
            if (take := ladder_at(results, self.position)) is not None
            and (self.quantity != FUNDAMENTAL or wording.level_unit(take) == self.unit)
            and (line := source_line(take, self.quantity, self.aligned, level)) is not None
        ]  # fmt: skip

    @cached_property
    def differences(self) -> list[Drawn]:
        """Differences from the reference, at the same levels."""
        return [
            Drawn(f"less-{one.source}-{rank}", self._less(one.source, level), one.source, rank,
                  one.frequency_hz, difference_line(one))
            for rank, level in enumerate(self.levels)
            for fine in self.compared.of(self.quantity, self.position)
            if is_at(fine, level)
            for one in [self._drawn_of(fine)]
        ]  # fmt: skip

    def _drawn_of(self, fine: Difference) -> Difference:
        """Return what is drawn: of distortion an average, as noise moves single frequencies."""
        return (self.compared.over_thirds(fine) or fine) if self.re_fundamental else fine

    @property
    def below_name(self) -> str:
        """What the lower axes hold."""
        names = self.compared.names
        what = f"{names[1]} less {names[0]}" if len(names) == 2 else f"each less {names[0]}"
        return f"{what}, over thirds of an octave" if self.re_fundamental else what

    @cached_property
    def unit(self) -> str:
        """Unit of the reference's levels."""
        take = ladder_at(self.compared.sources[0], self.position)
        return "dBFS" if take is None else wording.level_unit(take)

    @property
    def re_fundamental(self) -> bool:
        """Whether values are re the fundamental, and may be read in percent."""
        return self.quantity not in (FUNDAMENTAL, GAIN_CHANGE)

    @property
    def values_name(self) -> str:
        """What the values are, with their unit."""
        if self.quantity == FUNDAMENTAL:
            return f"Level, {self.unit}" + ("" if self.unit == "dB SPL" else " (uncalibrated)")
        if self.quantity == GAIN_CHANGE:
            return "Gain change, dB"
        return f"{short_name(self.quantity)}, dB re fundamental"

    def _name(self, source: int, level: float) -> str:
        return f"{self.compared.names[source]}, {level_name(self.aligned, level)}"

    def _less(self, source: int, level: float) -> str:
        names = self.compared.names
        return f"{names[source]} less {names[0]}, {level_name(self.aligned, level)}"


def short_name(quantity: str) -> str:
    """Name a quantity as figures do: "Response", "THD", "H2", "Gain change"."""
    named = {FUNDAMENTAL: "Response", THD: "THD"}
    return named.get(quantity) or f"{quantity[:1].upper()}{quantity[1:]}"


def title_of(overlay: Overlay) -> str:
    """Return the figure's title: the quantity, and at what levels it is compared."""
    return f"{short_name(overlay.quantity)} {level_words(overlay.aligned, overlay.levels)}"


def figure_data(overlay: Overlay) -> FigureData:
    """The numbers of the figure: curves of the sources, then differences."""
    quantity = with_averages(overlay.values_name, [one.line for one in overlay.lines])
    curves = [
        one.curve(quantity, re_fundamental=overlay.re_fundamental) for one in overlay.lines
    ] + [one.curve("Difference, dB") for one in overlay.differences]
    return FigureData("frequency", curves)


def plot_overlay(overlay: Overlay) -> Figure:
    """Draw a quantity of all sources in one axes, and their differences from the first below.

    Raises
    ------
    ValueError
        The quantity is not compared at any level.
    """
    if not overlay.lines or not overlay.differences:
        raise ValueError(f"{overlay.quantity!r} is not compared at {overlay.position!r:.60}")
    with look.our_look():
        limits = _limits(overlay)
        shown = sorted({one.source for one in overlay.lines})
        head_in = look.HEAD_IN + 0.16 + _KEY_ROW_IN * -(-len(shown) // _KEY_COLUMNS)
        below_top = _FOOT_IN + _BELOW_IN
        main_top = below_top + _GAP_IN + limits.height_in
        figure = look.new_figure(main_top + head_in)
        look.heading(figure, title_of(overlay), _subtitle(overlay))
        look.key(figure, [_key(overlay, source) for source in shown], columns=_KEY_COLUMNS)
        sides = {"left": look.LEFT_IN, "right": look.RIGHT_IN}
        main = look.add_axes(figure, bottom=below_top + _GAP_IN, top=main_top, **sides)
        below = look.add_axes(figure, bottom=_FOOT_IN, top=below_top, beside=main, **sides)
        _draw_main(main, overlay, limits)
        _draw_below(below, overlay)
    return figure


def _subtitle(overlay: Overlay) -> str:
    widths = "Thick: the louder level. " if len(overlay.levels) > 1 else ""
    return f"{widths}Shaded: the 95 % interval."


def _key(overlay: Overlay, source: int) -> object:
    stroke = stroke_of(source)
    return look.key_line(overlay.compared.names[source], stroke.colour, linestyle=stroke.linestyle,
                         linewidth=WIDTHS[0])  # fmt: skip


def _draw_main(axes: Axes, overlay: Overlay, limits: ResponseAxis) -> None:
    grids = [one.x for one in overlay.lines]
    ends = min(float(x[0]) for x in grids), max(float(x[-1]) for x in grids)
    look.frequency_axis(look.reads(axes, "frequency"), *look.frequency_limits(*ends))
    look.decibel_axis(axes, limits.low_db, limits.high_db)
    axes.tick_params(axis="x", which="both", labelbottom=False)
    axes.set_ylabel(_axis_name(overlay))
    if overlay.quantity == FUNDAMENTAL:
        look.note(axes, limits.words)
    if overlay.quantity == GAIN_CHANGE:
        axes.axhline(0.0, color=look.QUIET_INK, linewidth=0.8, label="_zero", zorder=2)
    for one in overlay.lines:
        _draw(axes, one)
    if not np.concatenate(drawn_values([one.line for one in overlay.lines])).size:
        look.say(axes, "no value stands clear of the noise, unclipped", fontsize=9.0)
    if len(overlay.levels) > 1:
        _tag_levels(axes, [one for one in overlay.lines if one.source == 0], overlay.levels)
    if overlay.re_fundamental:
        look.percent_axis(axes, "% of fundamental")


def _draw(axes: Axes, one: Drawn) -> None:
    with look.drawn_as(axes, one.key):
        draw_line(axes, one.x, one.line, one.stroke.colour, width=one.width, name=one.name,
                  dash=one.stroke.linestyle, zorder=3.0 - 0.1 * one.rank)  # fmt: skip


def _draw_below(axes: Axes, overlay: Overlay) -> None:
    look.reads(axes, "frequency")
    most = difference_end([one.line for one in overlay.differences])
    look.decibel_axis(axes, -most, most)
    axes.set_xlabel(wording.EXCITATION_AXIS)
    axes.set_ylabel("Difference, dB")
    axes.set_title(overlay.below_name, loc="left", fontsize=8.0, color=look.QUIET_INK, pad=3.0)
    axes.axhline(0.0, color=look.INK, linewidth=0.9, label="_zero", zorder=2)
    for one in overlay.differences:
        _draw(axes, one)
    if not any(np.isfinite(one.line.shown).any() for one in overlay.differences):
        look.say(axes, "nothing is known on both sides", fontsize=9.0)


def _axis_name(overlay: Overlay) -> str:
    return "dB re fundamental" if overlay.re_fundamental else overlay.values_name


def _tag_levels(axes: Axes, lines: list[Drawn], levels: list[float]) -> None:
    """Write each level on the reference's line, where there is room."""
    low, high = np.log(axes.get_xlim())
    bottom, top = axes.get_ylim()
    width_in, height_in = (float(side) / axes.figure.dpi for side in axes.bbox.size)
    x = (np.log(lines[0].x) - low) / (high - low) * width_in
    heights = [(one.line.tagged_values() - bottom) / (top - bottom) * height_in for one in lines]
    places = place_tags(x, heights, size=(0.34, 0.14), box=(width_in, height_in))
    for one, at in zip(lines, places, strict=True):
        if at is not None:
            with look.drawn_as(axes, one.key):
                look.tag(axes, float(one.x[at]), float(one.line.shown[at]),
                         wording.plain(levels[one.rank]), color=one.stroke.colour,
                         weight="normal" if one.rank else "bold", label="_tag")  # fmt: skip


def _limits(overlay: Overlay) -> ResponseAxis:
    """Return limits and height of the upper axes."""
    known, uncertain = drawn_values([one.line for one in overlay.lines])
    every = np.concatenate([known, uncertain])
    style = look.style()
    if overlay.re_fundamental:
        low, high = style.thd_db or thd_limits(known, uncertain)
        return ResponseAxis(low, high, MAIN_IN, 0.0)
    if overlay.quantity == GAIN_CHANGE:
        low, high = style.gain_change_db or _gain_limits(every)
        return ResponseAxis(low, high, MAIN_IN, 0.0)
    x = overlay.lines[0].x
    return response_axis(
        float(every.min()) if every.size else np.nan,
        float(every.max()) if every.size else np.nan,
        decade_in=look.decade_in(*look.frequency_limits(float(x[0]), float(x[-1]))),
        height_in=MAIN_IN,
        fixed_db=style.response_db_spl if overlay.unit == "dB SPL" else None,
    )


def _gain_limits(values: FloatArray) -> tuple[float, float]:
    """Limits that hold what is drawn, and ±1 dB at least."""
    low, high = np.nanmin(np.append(values, -1.0)), np.nanmax(np.append(values, 0.5))
    return float(np.floor(low)) - 0.5, float(np.ceil(high)) + 0.5


def difference_end(lines: list[Line]) -> float:
    """Return the end of a symmetric axis that holds differences known within 1.5 dB."""
    known = np.abs(np.concatenate([one.values[one.standing.reliable] for one in lines]))
    most = float(np.percentile(known, 99.5)) if known.size else 0.0
    return min(max(_LEAST_DB, 0.5 * np.ceil(2.4 * most)), _MOST_DB)


def overlay_of(compared: Compared, quantity: str, position: str) -> Overlay | None:
    """Return what is drawn of a quantity at a position; None where nothing is compared."""
    if not compared.levels(quantity, position):
        return None
    overlay = Overlay(compared, quantity, position)
    return overlay if overlay.lines and overlay.differences else None


