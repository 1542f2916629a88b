"""Many sources in one field: thin lines, their median and what most keep within; the first one
stands out, and others do while a reader points at them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from distsweep.comparison.aligned import third_ladders
from distsweep.comparison.ranks import Spread, clean_level_of, spread_of, strictest_limits
from distsweep.report import look
from distsweep.report.aspect import ResponseAxis
from distsweep.report.comparison.compared import Compared, level_name, level_words
from distsweep.report.comparison.curves import FUNDAMENTAL, THD, axis_of_levels
from distsweep.report.comparison.overlay import (
    DISTORTION,
    RESPONSE,
    level_axis,
    level_unit,
    short_name,
)
from distsweep.report.comparison.strokes import field_stroke, stroke_of
from distsweep.report.content import Picture
from distsweep.report.distortion.thd import thd_limits
from distsweep.report.figure_data import Curve, FigureData
from distsweep.results import Take
from distsweep.results.rung_curves import Curves
from distsweep.units import FloatArray
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_PANELS = 3  # levels of THD that are shown (chosen: more no longer fit a screen)
_PANEL_IN, _LONE_IN, _GAP_IN, _FOOT_IN = 2.2, 3.0, 0.36, 0.57
_WIDTHS = {"first": 1.8, "other": 0.7, "median": 1.5}  # points, chosen by eye
_SPREAD_SHARE = 0.13  # opacity of the spread, behind a dozen lines (chosen by eye)
_MISLEADS = {
    DISTORTION: "A source whose distortion noise hides is left out of the median there, which then "
    "stands too high.",
    RESPONSE: "The room and the microphone's place are in every line as well as the loudspeaker.",
}
_CLEAN_MISLEADS = (
    "Only levels that were reached count: sources that stay clean up to the loudest level played "
    "are left out of the median, which then stands too low."
)


@dataclass(frozen=True)
class Panel:
    """One axes of the field: a curve a source (None: it has none), on one grid."""

    title: str
    frequency_hz: FloatArray
    curves: Sequence[Curves | None]
    spread: Spread


@dataclass(frozen=True)
class Field:
    """A quantity of many sources, a panel a level, all over the same axes."""

    title: str
    kind: str
    values_name: str
    names: Sequence[str]
    panels: Sequence[Panel]
    unit: str

    def data(self) -> FigureData:
        """The numbers of the figure: sources, then the median with what most keep within."""
        curves = [
            one for rank, panel in enumerate(self.panels) for one in self._panel_curves(rank, panel)
        ]
        return FigureData("frequency", curves)

    def _panel_curves(self, rank: int, panel: Panel) -> Iterator[Curve]:
        at = f", {panel.title}" if panel.title else ""
        is_distortion = self.kind == DISTORTION
        for source, one in enumerate(panel.curves):
            if one is not None:
                stroke = stroke_of(0) if source == 0 else field_stroke()
                yield Curve(f"source-{source}-{rank}", f"{self.names[source]}{at}",
                            self.values_name, panel.frequency_hz, one.values, one.low, one.high,
                            re_fundamental=is_distortion, colour=stroke.colour)  # fmt: skip
        # What most keep within is no interval of the median, and is not written as one.
        yield Curve(f"median-{rank}", f"Median{at}", self.values_name, panel.frequency_hz,
                    panel.spread.median, re_fundamental=is_distortion, colour=look.INK,
                    dash="8 4")  # fmt: skip


def field_of(compared: Compared, quantity: str, position: str) -> Field | None:
    """Return the field of the response or of THD, over thirds of an octave; None without any."""
    levels = _spaced(compared.levels(quantity, position))
    if quantity == FUNDAMENTAL:
        levels = levels[:1]
    if not levels:
        return None
    aligned = compared.of(quantity, position)[0].aligned
    takes = [compared.ladder(source, position) for source in range(len(compared.sources))]
    names = {level: level_name(aligned, level) if len(levels) > 1 else "" for level in levels}
    panels = {level: _panel(takes, quantity, aligned, level, name) for level, name in names.items()}
    shown = {
        level: one
        for level, one in panels.items()
        if one is not None and np.isfinite(one.spread.median).any()
    }
    unit = level_unit(compared, position)
    values_name = level_axis(unit) if quantity == FUNDAMENTAL else "THD, dB re fundamental"
    if not shown:
        return None
    return Field(
        f"{short_name(quantity)} {level_words(aligned, list(shown))}",
        RESPONSE if quantity == FUNDAMENTAL else DISTORTION,
        values_name, compared.names, list(shown.values()), unit,
    )  # fmt: skip


def _spaced(rising: Sequence[float]) -> list[float]:
    """Return up to `MOST_PANELS` of the levels, the loudest first, evenly spaced from there."""
    if len(rising) <= MOST_PANELS:
        return list(rising[::-1])
    places = np.linspace(len(rising) - 1, 0, MOST_PANELS).round().astype(int)
    return [rising[place] for place in places]


def _panel(
    takes: Sequence[Take | None], quantity: str, aligned: str, level: float, title: str
) -> Panel | None:
    """Return a panel of averages, on the grid of the first source that has any."""
    unit = next((wording.level_unit(take) for take in takes if take is not None), "")
    read: list[tuple[FloatArray, Curves] | None] = []
    for take in takes:
        ladders = third_ladders(take, take) if take is not None else None
        alike = take is not None and (quantity == THD or wording.level_unit(take) == unit)
        if ladders is None or not alike:
            read.append(None)
            continue
        reading = ladders[0].read(aligned, level)
        curves = reading.thd if quantity == THD else reading.fundamental
        read.append((ladders[0].frequency_hz, curves))
    return _on_one_grid(read, title)


def _on_one_grid(read: Sequence[tuple[FloatArray, Curves] | None], title: str) -> Panel | None:
    grids = [one[0] for one in read if one is not None]
    if not grids:
        return None
    f = np.unique(np.concatenate(grids))
    curves = [None if one is None else _moved(one[0], one[1], f) for one in read]
    spread = spread_of(f, [one.values for one in curves if one is not None])
    return Panel(title, f, curves, spread)


def _moved(own_hz: FloatArray, curves: Curves, frequency_hz: FloatArray) -> Curves:
    """Return averages at the frequencies of a longer list, NaN where there are none."""
    at = np.searchsorted(frequency_hz, own_hz)
    parts = []
    for part in (curves.values, curves.low, curves.high):
        moved = np.full(frequency_hz.shape, np.nan)
        moved[at] = np.where(np.isposinf(part), np.nan, part)
        parts.append(moved)
    values = np.where(np.isfinite(parts[0]) & np.isfinite(parts[1]), parts[0], np.nan)
    return Curves(values, *parts[1:])


def clean_field(compared: Compared, position: str) -> Field | None:
    """Return the field of highest clean levels by the strictest limits that all sources have."""
    takes = [compared.ladder(source, position) for source in range(len(compared.sources))]
    unit = level_unit(compared, position)
    takes = [t if t is not None and wording.level_unit(t) == unit else None for t in takes]
    limits = strictest_limits(takes)
    found = [clean_level_of(take, limits) for take in takes]
    panel = _on_one_grid(
        [
            None
            if one is None
            else (one.frequency_hz, Curves(
                np.where(np.isin(one.state, ["reached", "bracketed"]), one.level_db, np.nan),
                one.low_db, one.high_db))
            for one in found
        ], "",
    )  # fmt: skip
    if panel is None or limits is None or not np.isfinite(panel.spread.median).any():
        return None
    words = f"{limits[0]:g} % THD or {limits[1]:g} dB of compression"
    return Field(f"Highest level within {words}", RESPONSE, level_axis(unit), compared.names,
                 [panel], unit)  # fmt: skip


def picture(field: Field, name: str, position: str, *, is_clean: bool = False) -> Picture:
    """The figure with its caption; ``is_clean``: of highest clean levels."""
    return Picture(
        name,
        partial(plot_field, field),
        f"{field.title}: {len(field.names)} sources against frequency, with their median; numbers "
        "are in the table.",
        f"Thick: {field.names[0]}. Dashed: the median. Shaded: eight in ten sources. Thirds of an "
        "octave.",
        _CLEAN_MISLEADS if is_clean else _MISLEADS[field.kind],
        data=field.data,
        position=position,
    )


def plot_field(field: Field) -> Figure:
    """Draw many sources in the same axes, a panel a level."""
    with look.our_look():
        limits = _limits(field)
        gap_in = _GAP_IN if len(field.panels) > 1 else 0.0
        head_in = look.HEAD_IN + 0.42
        height = _FOOT_IN + len(field.panels) * (limits.height_in + gap_in) - gap_in
        figure = look.new_figure(height + head_in)
        look.heading(figure, field.title, "Shaded: eight in ten sources, from a tenth to nine.")
        look.key(figure, _keys(field), columns=3)
        top = height
        made: list[Axes] = []
        for rank, panel in enumerate(field.panels):
            axes = look.add_axes(
                figure, left=look.LEFT_IN, right=look.RIGHT_IN, bottom=top - limits.height_in,
                top=top, beside=made[0] if made else None,
            )  # fmt: skip
            made.append(axes)
            _draw_panel(axes, field, rank, panel, limits)
            top -= limits.height_in + gap_in
        made[-1].tick_params(axis="x", which="both", labelbottom=True)
        made[-1].set_xlabel(wording.EXCITATION_AXIS)
    return figure


def _keys(field: Field) -> list[Artist]:
    return [
        look.key_line(field.names[0], stroke_of(0).colour, linewidth=_WIDTHS["first"]),
        look.key_line("others", field_stroke().colour, linewidth=_WIDTHS["other"]),
        look.key_line("median", look.INK, linewidth=_WIDTHS["median"], linestyle=(0, (5, 2.5))),
    ]


def _draw_panel(axes: Axes, field: Field, rank: int, panel: Panel, limits: ResponseAxis) -> None:
    f = panel.frequency_hz
    look.frequency_axis(
        look.reads(axes, "frequency"), *look.frequency_limits(float(f[0]), float(f[-1]))
    )
    look.decibel_axis(axes, limits.low_db, limits.high_db)
    axes.tick_params(axis="x", which="both", labelbottom=False)
    axes.set_ylabel("dB re fundamental" if field.kind == DISTORTION else field.values_name)
    if panel.title:
        axes.set_title(panel.title, loc="left", fontsize=8.5, pad=3.0)
    elif field.kind == RESPONSE:
        look.note(axes, limits.words)
    look.fill_band(axes, f, panel.spread.low, panel.spread.high, color=look.INK,
                   alpha=_SPREAD_SHARE, label="_spread", zorder=1.8)  # fmt: skip
    for source, one in enumerate(panel.curves):
        if one is None:
            continue
        is_first = source == 0
        stroke = stroke_of(0) if is_first else field_stroke()
        with look.drawn_as(axes, f"source-{source}-{rank}"):
            axes.plot(f, one.values, color=stroke.colour, label=f"_{field.names[source]}",
                      linewidth=_WIDTHS["first" if is_first else "other"],
                      zorder=3.2 if is_first else 2.5)  # fmt: skip
    with look.drawn_as(axes, f"median-{rank}"):
        axes.plot(f, panel.spread.median, color=look.INK, linewidth=_WIDTHS["median"],
                  linestyle=(0, (5, 2.5)), label="_median", zorder=3.0)  # fmt: skip
    if field.kind == DISTORTION:
        look.percent_axis(axes, "% of fundamental")


def _limits(field: Field) -> ResponseAxis:
    parts = [one.values for panel in field.panels for one in panel.curves if one is not None]
    values = np.concatenate([part[np.isfinite(part)] for part in parts])
    style = look.style()
    if field.kind == DISTORTION:
        low, high = style.thd_db or thd_limits(values, np.zeros(0))
        return ResponseAxis(low, high, _PANEL_IN if len(field.panels) > 1 else _LONE_IN, 0.0)
    f = field.panels[0].frequency_hz
    return axis_of_levels(values, f, height_in=_LONE_IN, unit=field.unit)
