"""The fundamental at each level, over the noise floor."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from distsweep.report import ladder_chart, look
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

_MOST_LEVEL_SPAN_DB = 80.0  # chosen so that 5 dB can still be read off


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
    limits = _level_limits(lines, floor)
    below = not np.any(floor > limits[0])
    with look.our_look():
        figure, axes = ladder_chart.draw_ladder(
            take,
            lines,
            title="Fundamental at each level",
            subtitle="Number on a line: drive in dBFS. "
            + ("The noise floor lies below the picture." if below else "Grey: noise floor."),
            limits_db=limits,
        )
        axes.set_ylabel(wording.level_axis(take))
        look.draw_floor(axes, take.frequency_hz, floor)
    return figure


def _highest_floor(take: Take) -> FloatArray:
    """Highest fundamental floor of all rungs at each frequency, NaN where there is none."""
    floors = np.array([rung.fundamental_floor_db for rung in take.rungs])
    lowest = np.where(np.isfinite(floors), floors, -np.inf).max(axis=0)
    return np.where(np.isfinite(lowest), lowest, np.nan)


def _level_limits(lines: list[Line], floor_db: FloatArray) -> tuple[float, float]:
    """Limits that hold every drawn level and the floor, but no more than 80 dB of them."""
    shown = np.concatenate(ladder_chart.drawn_values(lines))
    if shown.size == 0:
        shown = np.concatenate([line.values[np.isfinite(line.values)] for line in lines])
    if shown.size == 0:
        return (0.0, 100.0)
    high = 5.0 * np.ceil(float(shown.max()) / 5.0 + 0.3)
    low = float(np.nanmin([shown.min(), *floor_db[:: max(1, floor_db.size // 50)]]))
    low = 5.0 * np.floor(low / 5.0 - 0.3)
    return (max(low, high - _MOST_LEVEL_SPAN_DB), high)
