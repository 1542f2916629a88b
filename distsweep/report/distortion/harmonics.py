"""One panel a harmonic: even orders down the left, odd orders down the right."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from distsweep.report import ladder_chart, look
from distsweep.report.content import Picture
from distsweep.report.damage import strip as damage
from distsweep.report.distortion import interface, spikes
from distsweep.report.distortion.thd import thd_limits
from distsweep.report.figure_data import FigureData
from distsweep.report.lines import Line, harmonic_line, thd_line
from distsweep.report.reliability import loudest_index, only
from distsweep.report.rung_curves import line_curve, with_averages
from distsweep.results import SAME_DRIVE_DB, Rung, Take
from distsweep.units import FloatArray
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_PANEL_IN, _GAP_IN, _BOTTOM_IN, _HEAD_IN = 1.30, 0.38, 0.57, 0.90
_LEFT_IN, _BETWEEN_IN, _RIGHT_MARGIN_IN = 0.90, 0.58, 0.92  # beside panels: names of ticks
_LINE_WIDTH = 1.4
_THD_WIDTH = 2.2  # broad and faint: not to be taken for a pale line


def picture(take: Take, name: str) -> Picture:
    """The figure of the highest drive that did not clip, with its caption."""
    rung = take.rungs[loudest_index(take)]
    return Picture(
        f"{name}-harmonics",
        partial(plot_harmonics, take),
        f"Each harmonic against excitation frequency at {wording.rung_name(rung)}.",
        f"Re the fundamental; shaded: noise alone.{interface.caption(take)}"
        f"{damage.caption(take, loudest_index(take))}",
        "A harmonic is drawn where the fundamental was played, not where it is heard: the 3rd of "
        "1 kHz sounds at 3 kHz, and a peak of the response there lifts it. A line of hum raises "
        "the floor of harmonic n at 1/n of its own frequency: hum at 50 Hz hides the 2nd of 25 Hz.",
        data=partial(data, take, rung),
        position=take.position,
    )


def data(take: Take, rung: Rung) -> FigureData:
    """Each harmonic of a rung, as drawn."""
    lines = _lines(take, rung)
    quantity = with_averages("Harmonic level, dB re fundamental", lines)
    curves = [
        line_curve(
            take, rung, line, key=f"h{order}", name=f"H{order}", colour=_colour(order),
            quantity=quantity, re_fundamental=True,
        )
        for order, line in zip(rung.harmonics, lines, strict=True)
    ]  # fmt: skip
    for order, curve in rung.harmonics.items():
        name = f"H{order}: {interface.NAME}"
        key = _interface_key(order)
        curves += interface.curves(take, rung, interface.shown(curve), key=key, name=name)
    return FigureData("frequency", curves)


def _interface_key(order: int) -> str:
    return f"h{order}-interface"


def _colour(order: int) -> str:
    return look.EVEN if order % 2 == 0 else look.ODD


def _lines(take: Take, rung: Rung) -> list[Line]:
    return [harmonic_line(take, rung, order) for order in rung.harmonics]


def _known_thd(take: Take, rung: Rung) -> FloatArray:
    """THD where it, or an average of it, is within 1.5 dB; NaN elsewhere."""
    line = thd_line(take, rung)
    return only(line.shown, line.standing.reliable | line.averaged)


def plot_harmonics(take: Take, *, drive_dbfs: float | None = None) -> Figure:
    """Each harmonic of one rung in a panel of its own, over its floor.

    Parameters
    ----------
    take
        A take of a ladder.
    drive_dbfs
        Drive of the rung to show; the loudest that did not clip when None.

    Returns
    -------
    matplotlib.figure.Figure
        Reliable stretches are full lines, averages thinner ones, uncertain averages pale hair
        lines, noise is not drawn; intervals and the floor are shaded; the grey line behind is that
        rung's THD.

    Raises
    ------
    ValueError
        The take holds no rung, or none at that drive, or the rung holds no harmonic.
    """
    rung = rung_at(take, drive_dbfs)
    if not rung.harmonics:
        raise ValueError(
            f"rung at {wording.drive(rung.drive_dbfs)} holds no harmonic: analyse order 2 up"
        )
    sure, unsure = ladder_chart.drawn_values(_lines(take, rung))
    floors = np.concatenate([curve.floor_db for curve in rung.harmonics.values()])
    floors = floors[np.isfinite(floors)]
    usual = float(np.percentile(floors, 60)) if floors.size else 0.0  # most floors are seen then
    thd_db = _known_thd(take, rung)
    limits = thd_limits(np.append(sure, thd_db[np.isfinite(thd_db)]), unsure, low_db=usual)
    with look.our_look():
        return _panels(take, rung, limits_db=limits)


def rung_at(take: Take, drive_dbfs: float | None) -> Rung:
    """Rung of a drive (within `SAME_DRIVE_DB`); the loudest that did not clip when None.

    Raises
    ------
    ValueError
        The take holds no rung, or none at that drive.
    """
    ladder_chart.need_rungs(take)
    if drive_dbfs is None:
        return take.rungs[loudest_index(take)]
    for rung in take.rungs:
        if abs(rung.drive_dbfs - drive_dbfs) < SAME_DRIVE_DB:
            return rung
    known = ", ".join(f"{rung.drive_dbfs:g}" for rung in take.rungs)
    raise ValueError(f"drive_dbfs is {drive_dbfs:g}, but the rungs are {known}: choose one")


def _panels(take: Take, rung: Rung, *, limits_db: tuple[float, float]) -> Figure:
    """Draw every harmonic of a rung over its floor, all on the same scales.

    Noise is not drawn: the floor shows where it lies, and dots of it would be read as data.
    """
    orders = sorted(rung.harmonics)
    columns = ([n for n in orders if n % 2 == 0], [n for n in orders if n % 2 == 1])
    rows = max(len(column) for column in columns)
    number = next(place for place, other in enumerate(take.rungs) if other is rung)
    damage_in = damage.height_in(take, number)
    height = _BOTTOM_IN + damage_in + rows * _PANEL_IN + (rows - 1) * _GAP_IN + _HEAD_IN
    figure = look.new_figure(height)
    look.heading(
        figure,
        f"Each harmonic at {wording.rung_name(rung)}",
        "Left: even orders, from unlike halves of the swing. Right: odd orders, from what holds "
        "both halves alike.",
    )
    _key(figure, with_interface=bool(rung.thd_interface_reach_db.size))
    for side, column in enumerate(columns):
        left, right = _column_in(side)
        for row, order in enumerate(column):
            top = height - _HEAD_IN - row * (_PANEL_IN + _GAP_IN)
            axes = look.add_axes(figure, left=left, bottom=top - _PANEL_IN, right=right, top=top)
            _panel(axes, take, rung, order, limits_db)
            if row == len(column) - 1:
                lowest = axes
                if damage_in:
                    axes.tick_params(axis="x", which="both", labelbottom=False)
                    bottom = top - _PANEL_IN - damage_in
                    lowest = damage.draw(figure, take, left=left, right=right, bottom=bottom,
                                         beside=axes, rung=number)  # fmt: skip
                lowest.set_xlabel(wording.EXCITATION_AXIS)
            if side == 0:
                axes.set_ylabel("dB re fund.")
                axes.yaxis.set_label_coords(-0.72 / (right - left), 0.5)
            if side == 1:
                look.percent_axis(axes, "")
    return figure


def _panel(axes: Axes, take: Take, rung: Rung, order: int, limits_db: tuple[float, float]) -> None:
    curve, f = rung.harmonics[order], take.frequency_hz
    colour = _colour(order)
    limits_hz = look.frequency_limits(*f[[0, -1]].tolist())
    look.frequency_axis(look.reads(axes, "frequency"), *limits_hz)
    look.decibel_axis(axes, *limits_db, step=20.0 if limits_db[1] - limits_db[0] > 40 else 10.0)
    look.draw_floor(axes, f, curve.floor_db)
    axes.plot(f, _known_thd(take, rung), color=look.FAINT, linewidth=_THD_WIDTH, label="_thd",
              zorder=2)  # fmt: skip
    interface.draw(axes, f, interface.shown(curve), key=_interface_key(order))
    line = harmonic_line(take, rung, order)
    with look.drawn_as(axes, f"h{order}"):
        ladder_chart.draw_line(axes, f, line, colour, width=_LINE_WIDTH)
    spikes.mark(axes, take, order, drive_dbfs=rung.drive_dbfs)
    axes.text(0.985, 0.95, f"H{order}", transform=axes.transAxes, ha="right", va="top",
              fontsize=10.0, weight="bold", color=colour)  # fmt: skip
    if not (np.isfinite(curve.level_db).any() or np.isfinite(curve.high_db).any()):
        look.say(axes, f"the {wording.ordinal(order)} harmonic lies outside the band")


def _key(figure: Figure, *, with_interface: bool) -> None:
    width, pale = ladder_chart.AVERAGE_WIDTH * _LINE_WIDTH, look.paler(look.EVEN)
    handles = [
        look.key_line("within 1.5 dB", look.EVEN, linewidth=_LINE_WIDTH),
        look.key_line("average within 1.5 dB", look.EVEN, linewidth=width),
        look.key_line("uncertain", pale, linewidth=look.HAIR_LINE),
        look.key_patch("noise floor", color=look.NOISE),
        look.key_line("THD" if with_interface else "THD, for comparison", look.FAINT,
                      linewidth=_THD_WIDTH),
    ]  # fmt: skip
    if with_interface:
        handles.insert(4, interface.key_sign())
    look.key(figure, handles, columns=len(handles))


def _column_in(side: int) -> tuple[float, float]:
    """Return the edges of a column of panels."""
    width = (look.WIDTH_IN - _LEFT_IN - _BETWEEN_IN - _RIGHT_MARGIN_IN) / 2.0
    left = _LEFT_IN + side * (width + _BETWEEN_IN)
    return left, left + width
