"""The figure of hiss: the loudspeaker alone in thirds of an octave, and what hides it."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from distsweep.report import look
from distsweep.report.content import Picture
from distsweep.report.figure_data import Curve, FigureData
from distsweep.report.hiss import words
from distsweep.results import Hiss, Take
from distsweep.units import FloatArray, ratio_to_db
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D

_HEIGHT_IN, _FOOT_IN, _HEAD_IN = 3.9, 0.6, 0.95
_SPARE_DB, _STEP_DB = 4.0, 5.0
_LEAST_SHOWN_DB = -10.0  # chosen: no threshold of hearing is lower
_STANDARD_LISTENER_M = 1.0  # chosen: where the session names no listener


def picture(take: Take, off: Take | None, name: str) -> Picture:
    """The figure with its caption; ``off`` is the take with the loudspeaker off."""
    assert take.hiss is not None  # the caller looked
    limit = ""
    if _limit_db(take.hiss).size:
        metres = words.distance(_listener_m(take.hiss))
        limit = (
            f" Dashed: what would be just heard at {metres}: the threshold of hearing or the room's"
            " noise there, the higher of both, carried back to the microphone by 1/r."
        )
    return Picture(
        f"{name}-hiss",
        partial(plot_hiss, take, off),
        "Level of the loudspeaker's own noise in thirds of an octave, beside that of the room with"
        " it off; numbers are in the table.",
        "Dots: the loudspeaker alone, bars the 95 % interval; arrows down: at most so much. Grey:"
        f" the same place with it off.{limit}",
        "The microphone stands close to one driver: what others radiate is too low here for"
        " elsewhere. Nearer than some diameters 1/r does not hold, and what the room reflects is"
        " left out: far away more than the direct sound arrives. The threshold is that of pure"
        " tones for young ears; older ones hear less, above 4 kHz above all. A microphone's own"
        " noise counts as the room's.",
        data=partial(data, take, off),
        position=take.position,
    )


def data(take: Take, off: Take | None) -> FigureData:
    """The numbers of the figure."""
    hiss = take.hiss
    assert hiss is not None  # the caller looked
    quantity = _quantity(take)
    known = np.isfinite(hiss.level_low_db)
    curves = [
        Curve(
            "hiss", "The loudspeaker alone", quantity, hiss.third_octave_hz,
            np.where(known, hiss.level_db, np.nan),
            np.where(known, hiss.level_low_db, -np.inf), hiss.level_high_db, colour=look.ODD,
        )
    ]  # fmt: skip
    if off is not None:
        curves.append(
            Curve("off", "The room, loudspeaker off", quantity, off.third_octave_hz, off.level_db,
                  colour=look.QUIET_INK)
        )  # fmt: skip
    limit_db = _limit_db(hiss)
    if limit_db.size:
        name = f"Just heard at {words.distance(_listener_m(hiss))}"
        curves.append(
            Curve("limit", name, quantity, hiss.third_octave_hz, limit_db, colour=look.EVEN,
                  dash="6 4")
        )  # fmt: skip
    return FigureData("heard", curves)


def plot_hiss(take: Take, off: Take | None = None) -> Figure:
    """Hiss in thirds of an octave with its intervals, over the room's noise.

    Parameters
    ----------
    take
        A take of the background with the loudspeaker on.
    off
        That with it off at the same place.

    Raises
    ------
    ValueError
        The take holds no hiss.
    """
    hiss = take.hiss
    if hiss is None:
        raise ValueError("take holds no hiss: it is told from background takes, on and off")
    with look.our_look():
        figure = look.new_figure(_HEIGHT_IN)
        at = "" if hiss.distance_m is None else f" at {words.distance(hiss.distance_m)}"
        look.heading(figure, "Hiss", f"The loudspeaker alone{at}, in thirds of an octave.")
        axes = look.add_axes(
            figure, left=look.LEFT_IN, bottom=_FOOT_IN, right=look.RIGHT_IN,
            top=_HEIGHT_IN - _HEAD_IN,
        )  # fmt: skip
        _draw_axes(axes, take, off)
        _draw_room(axes, take, off)
        _draw_hiss(axes, hiss)
        look.key(figure, _keys(hiss, off), columns=4)
    return figure


def _quantity(take: Take) -> str:
    return f"Level in a third of an octave, {wording.level_unit(take)}"


def _listener_m(hiss: Hiss) -> float:
    return hiss.listener_distance_m or _STANDARD_LISTENER_M


def _limit_db(hiss: Hiss) -> FloatArray:
    """Return what would be just heard at the listener's place, as the microphone would hear it."""
    if hiss.distance_m is None or not (hiss.room_db.size and hiss.threshold_db.size):
        return np.zeros(0)
    limit_db = np.where(
        np.isnan(hiss.threshold_db), np.nan, np.fmax(hiss.room_db, hiss.threshold_db)
    )
    return np.asarray(limit_db + float(ratio_to_db(np.array(_listener_m(hiss) / hiss.distance_m))))


def _draw_axes(axes: Axes, take: Take, off: Take | None) -> None:
    hiss = take.hiss
    assert hiss is not None  # the caller looked
    f = hiss.third_octave_hz
    look.frequency_axis(look.reads(axes, "heard"), float(f[0]) / 1.12, float(f[-1]) * 1.12)
    shown = [hiss.level_high_db, hiss.level_low_db]
    shown += [] if off is None else [off.level_db]
    limit_db = _limit_db(hiss)
    shown += [np.array([np.nanmin(limit_db)])] if np.isfinite(limit_db).any() else []
    levels = np.concatenate(shown)
    levels = levels[np.isfinite(levels)]
    low, high = float(np.min(levels)) - _SPARE_DB, float(np.max(levels)) + _SPARE_DB
    if wording.level_unit(take) == "dB SPL":
        low = max(low, _LEAST_SHOWN_DB)
    low, high = _STEP_DB * np.floor(low / _STEP_DB), _STEP_DB * np.ceil(high / _STEP_DB)
    look.decibel_axis(axes, low, max(high, low + 20.0))
    axes.set_xlabel(wording.HEARD_AXIS)
    axes.set_ylabel(wording.level_axis(take))


def _draw_room(axes: Axes, take: Take, off: Take | None) -> None:
    hiss = take.hiss
    assert hiss is not None  # the caller looked
    if off is not None:
        lines = axes.plot(off.third_octave_hz, off.level_db, color=look.QUIET_INK, linewidth=1.2,
                          drawstyle="steps-mid", label="off", zorder=2)  # fmt: skip
        look.belongs_to("off", *lines)
    limit_db = _limit_db(hiss)
    if limit_db.size:
        lines = axes.plot(hiss.third_octave_hz, limit_db, color=look.EVEN, linewidth=1.4,
                          linestyle=(0, (6, 4)), label="limit", zorder=2.5)  # fmt: skip
        look.belongs_to("limit", *lines)


def _draw_hiss(axes: Axes, hiss: Hiss) -> None:
    f, high = hiss.third_octave_hz, hiss.level_high_db
    known = np.isfinite(hiss.level_low_db) & np.isfinite(hiss.level_db)
    most = ~known & np.isfinite(high)
    pale = look.paler(look.ODD)
    artists = [
        axes.vlines(f[known], hiss.level_low_db[known], high[known], color=look.ODD,
                    linewidth=1.6, label="_interval", zorder=3),
        *axes.plot(f[known], hiss.level_db[known], color=look.ODD, linestyle="none", marker="o",
                   markersize=4.0, label="hiss", zorder=4),
        *axes.plot(f[most], high[most], color=pale, linestyle="none", marker="v", markersize=5.0,
                   label="_at most", zorder=3),
    ]  # fmt: skip
    look.belongs_to("hiss", *artists)


def _keys(hiss: Hiss, off: Take | None) -> list[Line2D]:
    keys = [
        look.key_line("loudspeaker alone", look.ODD, linestyle="none", marker="o", markersize=4.0),
        look.key_line("at most", look.paler(look.ODD), linestyle="none", marker="v",
                      markersize=5.0),
    ]  # fmt: skip
    if off is not None:
        keys.append(look.key_line("room, it off", look.QUIET_INK, linewidth=1.2))
    if _limit_db(hiss).size:
        keys.append(
            look.key_line(f"just heard at {words.distance(_listener_m(hiss))}", look.EVEN,
                          linewidth=1.4, linestyle=(0, (6, 4)))
        )  # fmt: skip
    return keys
