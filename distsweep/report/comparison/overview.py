"""The first figure of a comparison: what differs, a row a quantity, with what is beyond doubt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from distsweep.comparison.record import Finding
from distsweep.report import look
from distsweep.report.comparison.clean import clean_overlay
from distsweep.report.comparison.compared import Compared
from distsweep.report.comparison.curves import CLEAN_LEVEL, FUNDAMENTAL, GAIN_CHANGE, THD
from distsweep.report.comparison.overlay import Drawn, Overlay, overlay_of, short_name
from distsweep.report.comparison.overlay_figure import (
    KEY_COLUMNS,
    difference_end,
    head_height_in,
    key_of,
)
from distsweep.report.comparison.strokes import stroke_of
from distsweep.report.content import Picture
from distsweep.report.figure_data import FigureData
from distsweep.report.ladder_chart import draw_line
from distsweep.report.names import safe_name
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

NAME = "compared-verdict"
_ROW_IN, _GAP_IN, _FOOT_IN, _RIGHT_IN = 0.58, 0.29, 0.57, 0.25
_WIDTH = 1.3  # points
_LEAST_RATIO = 2.0 ** (1.0 / 12.0)  # half the least width of a bar: a twelfth of an octave
_ROW_OF = {"sensitivity": FUNDAMENTAL}
"""The row of a finding whose quantity has none of its own."""

_ALWAYS = (FUNDAMENTAL, THD, "h2", "h3", GAIN_CHANGE, CLEAN_LEVEL)
"""Rows that are drawn wherever there is something to draw; others where something was found."""


@dataclass(frozen=True)
class Row:
    """One quantity's differences at the loudest level that is compared, and its findings."""

    name: str
    quantity: str
    overlay: Overlay
    findings: Sequence[Finding]

    @property
    def lines(self) -> list[Drawn]:
        """Differences at the loudest level."""
        return [one for one in self.overlay.differences if one.rank == 0]


def rows_of(compared: Compared) -> list[Row]:
    """Return the rows of the figure; none where nothing is compared."""
    if not compared.positions:
        return []
    position = compared.positions[0]
    harmonics = [f"h{order}" for order in compared.orders(position)]
    rows = []
    for quantity in (FUNDAMENTAL, THD, *harmonics, GAIN_CHANGE, CLEAN_LEVEL):
        found = findings_on(compared, quantity, position)
        if quantity not in _ALWAYS and not found:
            continue
        is_clean = quantity == CLEAN_LEVEL
        overlay = (
            clean_overlay(compared, position)
            if is_clean
            else overlay_of(compared, quantity, position)
        )
        if overlay is not None:
            rows.append(Row(short_name(quantity), quantity, overlay, found))
    return rows


def findings_on(compared: Compared, quantity: str, position: str) -> list[Finding]:
    """Return the findings on a quantity at a position, or at no position that is named."""
    return [
        one
        for one in compared.comparison.findings
        if _ROW_OF.get(one.quantity, one.quantity.partition(",")[0]) == quantity
        and one.position in (None, position)
    ]


def picture(
    rows: Sequence[Row],
    position: str,
    *,
    bars: str = "Bars: beyond doubt.",
    resonances: Sequence[Finding] = (),
) -> Picture | None:
    """The figure; None without rows.

    ``bars`` says what bars along a row's edge mean; ``resonances`` are findings on such.
    """
    if not rows:
        return None
    bars = bars if any(row.findings for row in rows) else ""
    bars += " Upright dashes: a resonance that changed." if resonances else ""
    less = rows[0].overlay.below_name.partition(",")[0]
    return Picture(
        NAME,
        partial(plot_overview, rows, resonances),
        f"Differences of {wording.listed([row.name for row in rows])} against frequency, {less}; "
        "numbers are in the table.",
        f"{_at(rows)} {bars.strip()}".strip(),
        "",
        data=partial(figure_data, rows),
        position=position,
    )


def _at(rows: Sequence[Row]) -> str:
    """Say at which level the rows are drawn, and what is not."""
    level = next((row.overlay.loudest for row in rows if row.overlay.loudest), "")
    known = f"{level}, where known within 1.5 dB".removeprefix(", ")
    pale = any(one.line.uncertain.any() for row in rows for one in row.lines)
    return f"{known[:1].upper()}{known[1:]}{'; pale: less well' if pale else ''}."


def figure_data(rows: Sequence[Row]) -> FigureData:
    """The numbers of all rows."""
    curves = [_named(row, one).curve("Difference, dB") for row in rows for one in row.lines]
    return FigureData("frequency", curves)


def _named(row: Row, one: Drawn) -> Drawn:
    """Return a difference named by its row, as one figure holds them all."""
    key = f"{safe_name(row.quantity)}-{one.source}"
    names = row.overlay.names
    name = row.name if len(names) == 2 else f"{row.name}, {names[one.source]}"
    return replace(one, key=key, name=name)


def plot_overview(rows: Sequence[Row], resonances: Sequence[Finding] = ()) -> Figure:
    """Draw what differs, a row a quantity, bars over what is beyond doubt, and resonances."""
    with look.our_look():
        names = rows[0].overlay.names
        shown = sorted({one.source for row in rows for one in row.lines})
        head_in = 0.2 + head_height_in(len(shown)) if len(shown) > 1 else look.HEAD_IN + 0.28
        top = _FOOT_IN + len(rows) * (_ROW_IN + _GAP_IN) - _GAP_IN
        figure = look.new_figure(top + head_in)
        less = rows[0].overlay.below_name.partition(",")[0]
        look.heading(figure, f"Differences: {less}", _at(rows))
        if len(shown) > 1:
            look.key(figure, [key_of(names, source) for source in shown], columns=KEY_COLUMNS)
        made: list[Axes] = []
        for row in rows:
            axes = look.add_axes(
                figure, left=look.LEFT_IN, right=look.WIDTH_IN - _RIGHT_IN, top=top,
                bottom=top - _ROW_IN, beside=made[0] if made else None,
            )  # fmt: skip
            made.append(axes)
            _draw_row(axes, row)
            _mark_resonances(axes, resonances)
            axes.tick_params(axis="x", which="both", labelbottom=False)
            top -= _ROW_IN + _GAP_IN
        look.frequency_axis(made[0], *look.frequency_limits(*_ends(rows)))
        made[-1].tick_params(axis="x", which="both", labelbottom=True)
        made[-1].set_xlabel(wording.EXCITATION_AXIS)
    return figure


def _ends(rows: Sequence[Row]) -> tuple[float, float]:
    grids = [one.x for row in rows for one in (*row.overlay.lines, *row.lines) if one.x.size]
    return min(float(x[0]) for x in grids), max(float(x[-1]) for x in grids)


def _draw_row(axes: Axes, row: Row) -> None:
    look.reads(axes, "frequency")
    most = max(difference_end([one.line for one in row.lines]), *map(_size, row.findings), 1.5)
    most = float(np.ceil(most))
    axes.set_xscale("log")
    look.decibel_axis(axes, -1.2 * most, 1.2 * most, step=most)
    if any(np.isfinite(one.line.shown).any() for one in row.lines):
        axes.axhline(0.0, color=look.INK, linewidth=0.8, label="_zero", zorder=2)
    else:
        look.say(axes, "not known within 1.5 dB", fontsize=look.SMALL)
    axes.set_title(f"{row.name}, dB", loc="left", fontsize=8.5, pad=3.0)
    for one in row.lines:
        named = _named(row, one)
        with look.drawn_as(axes, named.key):
            draw_line(axes, one.x, one.line, one.stroke.colour, width=_WIDTH, name=named.name,
                      dash=one.stroke.linestyle)  # fmt: skip
    for finding in row.findings:
        _mark(axes, finding)


def _mark_resonances(axes: Axes, findings: Sequence[Finding]) -> None:
    """Draw a dashed line where a resonance that changed lies in either source."""
    for finding in findings:
        colour = stroke_of(finding.source).colour
        for place_hz in (f for f in (finding.low_hz, finding.high_hz) if f is not None):
            axes.axvline(place_hz, color=colour, linewidth=0.9, linestyle=(0, (3, 2)),
                         label="_resonance", zorder=1.6)  # fmt: skip


def _size(finding: Finding) -> float:
    return 1.2 * abs(finding.difference_db or 0.0)


def _mark(axes: Axes, finding: Finding) -> None:
    """Lay a bar over the range of a finding, along the side to which it differs."""
    low, high = (
        end if own is None else own
        for own, end in zip((finding.low_hz, finding.high_hz), (1e-3, 1e6), strict=True)
    )
    if high < low * _LEAST_RATIO**2:  # one place: wide enough to be seen
        low, high = low / _LEAST_RATIO, high * _LEAST_RATIO
    up = (finding.difference_db or 0.0) >= 0.0
    bar = (0.92, 1.0) if up else (0.0, 0.08)
    artist = axes.axvspan(low, high, *bar, color=stroke_of(finding.source).colour, linewidth=0.0,
                          label="_beyond doubt", zorder=1.5)  # fmt: skip
    artist.set_clip_on(True)
