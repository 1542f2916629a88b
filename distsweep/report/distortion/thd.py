"""Total harmonic distortion at each level."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from distsweep.report import ladder_chart, look
from distsweep.report.content import Picture
from distsweep.report.damage import strip as damage
from distsweep.report.distortion import interface, spikes
from distsweep.report.figure_data import FigureData
from distsweep.report.lines import Line, thd_line
from distsweep.report.reliability import order_ends_hz
from distsweep.report.rung_curves import rung_curves
from distsweep.results import Rung, Take
from distsweep.units import FloatArray
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_MOST_SPAN_DB, _LEAST_SPAN_DB = 110.0, 40.0  # chosen by eye, so that 5 dB can be read off


def picture(take: Take, name: str) -> Picture:
    """The figure with its caption."""
    return Picture(
        f"{name}-thd",
        partial(plot_thd, take),
        "Total harmonic distortion against excitation frequency, "
        f"{ladder_chart.lines_caption(take)}; numbers are in the table.",
        f"Re the fundamental.{interface.caption(take)}{spikes.caption(take)}{damage.caption(take)}",
        "A level without a line is not clean: its distortion is hidden by noise"
        + (", or by the interface's own" if interface.loudest_known(take) else "")
        + (
            "; how large it can be is in the table. "
            if any(line.high_db.size for line in _lines(take))
            else ". A scrap of a pale line may be noise that passed its margin by chance. "
        )
        + _order_ends(take)
        + "Where the fundamental has a dip, at a place in the room for instance, THD has a peak.",
        data=partial(data, take),
        position=take.position,
    )


def data(take: Take) -> FigureData:
    """THD of each rung, as drawn."""
    curves = rung_curves(take, _lines(take), "THD, dB re fundamental", re_fundamental=True)
    rung, reach_db = _interface(take)
    curves += interface.curves(take, rung, reach_db, key="interface", name=_interface_name(rung))
    return FigureData("frequency", curves)


def _interface(take: Take) -> tuple[Rung | None, FloatArray]:
    """Return the loudest rung beside which a loop-back is known, and what may be in its THD."""
    rung = interface.loudest_known(take)
    return rung, np.zeros(0) if rung is None else rung.thd_interface_reach_db


def _interface_name(rung: Rung | None) -> str:
    return interface.NAME if rung is None else f"{interface.NAME}, {wording.drive(rung.drive_dbfs)}"


def _lines(take: Take) -> list[Line]:
    return [thd_line(take, rung) for rung in take.rungs]


def _order_ends(take: Take) -> str:
    """Say where THD steps down because a harmonic leaves the band, and that it is no merit."""
    ends = order_ends_hz(take)
    steps = [
        f"the {wording.ordinal(order)} at {wording.frequency(ends[order])}"
        for order in (3, 4, 5)
        if order in ends
    ]
    if not steps:
        return ""
    return (
        "Towards high frequencies harmonics leave the measured band (marks along the top: "
        f"{', '.join(steps)}), and THD steps down there without the loudspeaker getting better. "
    )


def plot_thd(take: Take) -> Figure:
    """THD re the fundamental against frequency, one line a rung; dB on the left, % on the right.

    Parameters
    ----------
    take
        A take of a ladder.

    Returns
    -------
    matplotlib.figure.Figure
        Reliable THD is a full line; elsewhere an average is a thinner one, or a pale hair line
        where it is uncertain; intervals are shaded, noise is not drawn, and the strip below shows
        where. Marks along the top show where a harmonic leaves the band.

    Raises
    ------
    ValueError
        The take holds no rung.

    Notes
    -----
    THD sums only the orders that still lie inside the measured band, so it loses orders
    towards high frequencies and ends where not even the second fits. Where a quiet level has
    no line, its distortion is not low but hidden.
    """
    ladder_chart.need_rungs(take)
    lines, (_, reach_db) = _lines(take), _interface(take)
    usual = reach_db[np.isfinite(reach_db)]
    low_db = float(np.percentile(usual, 25)) if usual.size else 0.0  # most of it is seen then
    drawn = ladder_chart.drawn_values(lines)
    with look.our_look():
        figure, axes = ladder_chart.draw_ladder(
            take,
            lines,
            title="Total harmonic distortion at each level",
            subtitle="Number on a line: drive in dBFS. Re the fundamental at the same frequency.",
            limits_db=look.style().thd_db or thd_limits(*drawn, low_db=low_db),
        )
        axes.set_ylabel("THD, dB re fundamental")
        look.percent_axis(axes, "THD, % of fundamental")
        ladder_chart.mark_order_ends(axes, order_ends_hz(take))
        interface.draw(axes, take.frequency_hz, reach_db, key="interface")
        interface.draw_tag(axes, take.frequency_hz, reach_db, lines, key="interface")
        spikes.mark(axes, take, None)
    return figure


def thd_limits(
    reliable: FloatArray, uncertain: FloatArray, *, low_db: float = 0.0
) -> tuple[float, float]:
    """Limits in tens of decibels: the top always holds, the bottom goes 110 dB down at most.

    The bottom goes down to ``low_db`` as well, if that is within these; a lone null of a
    reliable curve and the lowest hundredth of the uncertain ones may leave there.
    """
    if reliable.size + uncertain.size == 0:
        return (-80.0, 0.0)
    high = 10.0 * np.ceil(float(np.append(reliable, uncertain).max()) / 10.0 + 0.1)
    lows = [low_db]
    lows += [float(np.percentile(reliable, 0.5))] if reliable.size else []
    lows += [float(np.percentile(uncertain, 1.0))] if uncertain.size else []
    low = min(10.0 * np.floor(min(lows) / 10.0), high - _LEAST_SPAN_DB)
    return (max(low, high - _MOST_SPAN_DB), high)
