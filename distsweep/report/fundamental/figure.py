"""The fundamental at each level, over the noise floor."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from distsweep.report import ladder_chart, look
from distsweep.report.aspect import ResponseAxis, response_axis
from distsweep.report.content import Picture
from distsweep.report.damage import strip as damage
from distsweep.report.figure_data import FigureData
from distsweep.report.lines import Line, fundamental_line
from distsweep.report.rung_curves import rung_curves
from distsweep.results import Take
from distsweep.units import FloatArray
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def picture(take: Take, name: str) -> Picture:
    """The figure with its caption."""
    return Picture(
        f"{name}-fundamental",
        partial(plot_fundamental, take),
        "Level of the fundamental against excitation frequency, "
        f"{ladder_chart.lines_caption(take)}.",
        f"In {wording.level_unit(take)}"
        + ("" if wording.level_unit(take) == "dB SPL" else " (uncalibrated)")
        + f"; shaded: the highest noise floor.{_clipped_note(take)}{damage.caption(take)}",
        "The room is in it as well as the loudspeaker: below some 200 Hz it may outweigh it. "
        "Lines that come closer together towards high drives mean compression, which the gain "
        "change shows better. Peaks of the noise floor are hum.",
        data=partial(data, take),
        position=take.position,
    )


def data(take: Take) -> FigureData:
    """The fundamental of each rung, as drawn."""
    return FigureData("frequency", rung_curves(take, _lines(take), wording.level_axis(take)))


def _lines(take: Take) -> list[Line]:
    return [fundamental_line(take, index) for index in range(len(take.rungs))]


def _clipped_note(take: Take) -> str:
    if not any(rung.clipped for rung in take.rungs):
        return ""
    return (
        " Of a level that clipped only those stretches are shown which a reliable harmonic or "
        "gain change proves to be unclipped."
    )


def plot_fundamental(take: Take) -> Figure:
    """Fundamental against frequency, one line a rung, over the noise floor.

    Parameters
    ----------
    take
        A take of a ladder.

    Returns
    -------
    matplotlib.figure.Figure
        Levels in the take's own unit: a full line where they are reliable, a thinner one for an
        average, a pale one where that is uncertain, and intervals shaded.

    Raises
    ------
    ValueError
        The take holds no rung.

    Notes
    -----
    The lines show the loudspeaker, the place and the room together. The shaded floor is the
    highest of all rungs.
    """
    ladder_chart.need_rungs(take)
    lines = _lines(take)
    floor = _highest_floor(take)
    with look.our_look():
        axis = _axis(take, lines, floor)
        below = not np.any(floor > axis.low_db)
        figure, axes = ladder_chart.draw_ladder(
            take,
            lines,
            title="Fundamental at each level",
            subtitle="Number on a line: drive in dBFS. "
            + ("The noise floor lies below the picture." if below else "Grey: noise floor."),
            limits_db=(axis.low_db, axis.high_db),
            main_in=axis.height_in,
        )
        look.note(axes, axis.words)
        axes.set_ylabel(wording.level_axis(take))
        look.draw_floor(axes, take.frequency_hz, floor)
    return figure


def _highest_floor(take: Take) -> FloatArray:
    """Highest fundamental floor of all rungs at each frequency, NaN where there is none."""
    floors = np.array([rung.fundamental_floor_db for rung in take.rungs])
    lowest = np.where(np.isfinite(floors), floors, -np.inf).max(axis=0)
    return np.where(np.isfinite(lowest), lowest, np.nan)


def _axis(take: Take, lines: list[Line], floor_db: FloatArray) -> ResponseAxis:
    """Return the axis that holds every drawn level and the floor, as far as its height allows."""
    shown = np.concatenate(ladder_chart.drawn_values(lines))
    if shown.size == 0:
        shown = np.concatenate([line.values[np.isfinite(line.values)] for line in lines])
    lows = np.append(shown, floor_db[np.isfinite(floor_db)][:: max(1, floor_db.size // 50)])
    limits_hz = look.frequency_limits(*take.frequency_hz[[0, -1]].tolist())
    return response_axis(
        float(lows.min()) if lows.size else np.nan,
        float(shown.max()) if shown.size else np.nan,
        decade_in=look.decade_in(*limits_hz),
        height_in=ladder_chart.MAIN_IN,
        fixed_db=look.style().response_db_spl if wording.level_unit(take) == "dB SPL" else None,
    )
