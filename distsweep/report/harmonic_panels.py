"""One panel a harmonic: even orders down the left, odd orders down the right."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from distsweep.report import look
from distsweep.report.ladder_chart import draw_lone_points, draw_uncertain
from distsweep.report.reliability import harmonic_standing, only, thd_reliable
from distsweep.report.resonance_marks import mark_spikes
from distsweep.results import Rung, Take
from distsweep.words import wording

_PANEL_IN, _GAP_IN, _BOTTOM_IN, _HEAD_IN = 1.32, 0.34, 0.52, 0.98
_COLUMNS_IN = ((0.72, 3.97), (4.55, 7.80))
_THD_COLOUR, _THD_WIDTH = "#ddd4c6", 2.2  # broad and faint: not to be taken for a pale line


def harmonic_panels(take: Take, rung: Rung, *, limits_db: tuple[float, float]) -> look.ReportFigure:
    """Draw every harmonic of a rung over its floor, all on the same scales.

    Noise is not drawn: the floor shows where it lies, and dots of it would be read as data.
    """
    orders = sorted(rung.harmonics)
    columns = ([n for n in orders if n % 2 == 0], [n for n in orders if n % 2 == 1])
    rows = max(len(column) for column in columns)
    height = _BOTTOM_IN + rows * _PANEL_IN + (rows - 1) * _GAP_IN + _HEAD_IN
    figure = look.new_figure(height)
    look.heading(
        figure,
        f"Each harmonic at {wording.rung_name(rung)}",
        "Left: even orders, from unlike halves of the swing. Right: odd orders, from what holds "
        "both halves alike.",
    )
    _key(figure, height)
    for side, column in enumerate(columns):
        left, right = _COLUMNS_IN[side]
        for row, order in enumerate(column):
            top = height - _HEAD_IN - row * (_PANEL_IN + _GAP_IN)
            axes = look.add_axes(figure, left=left, bottom=top - _PANEL_IN, right=right, top=top)
            _panel(axes, take, rung, order, limits_db)
            if row == len(column) - 1:
                axes.set_xlabel(wording.EXCITATION_AXIS)
            if side == 0:
                axes.set_ylabel("dB re fund.")
            if side == 1 or len(columns[1]) <= row:
                look.percent_axis(axes, "% of fund.", sparse=True)
    return figure


def _panel(axes: Axes, take: Take, rung: Rung, order: int, limits_db: tuple[float, float]) -> None:
    curve, f = rung.harmonics[order], take.frequency_hz
    colour = look.EVEN if order % 2 == 0 else look.ODD
    look.frequency_axis(axes, float(f[0]), float(f[-1]), minor=False)
    look.decibel_axis(axes, *limits_db, step=20.0 if limits_db[1] - limits_db[0] > 40 else 10.0)
    look.draw_floor(axes, f, curve.floor_db)
    axes.plot(f, only(rung.thd_db, thd_reliable(rung)), color=_THD_COLOUR, linewidth=_THD_WIDTH,
              label="_thd", zorder=2)  # fmt: skip
    standing = harmonic_standing(rung, curve)
    draw_uncertain(axes, f, curve.level_db, standing, colour, label="_uncertain")
    shown = only(curve.level_db, standing.reliable)
    axes.plot(f, shown, color=colour, linewidth=1.4, label="_reliable", zorder=3)
    draw_lone_points(axes, f, shown, colour)
    mark_spikes(axes, take, order, drive_dbfs=rung.drive_dbfs)
    axes.text(0.985, 0.95, f"H{order}", transform=axes.transAxes, ha="right", va="top",
              fontsize=11.0, weight="bold", color=colour)  # fmt: skip
    if not np.isfinite(curve.level_db).any():
        text = f"the {wording.ordinal(order)} harmonic lies outside the band"
        axes.text(0.5, 0.5, text, transform=axes.transAxes, ha="center", va="center",
                  color=look.QUIET_INK)  # fmt: skip


def _key(figure: look.ReportFigure, height: float) -> None:
    handles = [
        Line2D([], [], color=look.EVEN, linewidth=1.6, label="within 1.5 dB"),
        Line2D([], [], color=look.paler(look.EVEN), linewidth=look.HAIR_LINE,
               label="noise may move it by several dB"),
        Patch(color=look.NOISE, label="noise floor: near it nothing is drawn"),
        Line2D([], [], color=_THD_COLOUR, linewidth=_THD_WIDTH, label="THD, for comparison"),
    ]  # fmt: skip
    figure.legend(handles=handles, loc="upper left", ncols=4, frameon=False, fontsize=8.5,
                  bbox_to_anchor=(0.014, 1 - 0.58 / height), borderaxespad=0.0, handlelength=2.2,
                  columnspacing=1.6)  # fmt: skip
