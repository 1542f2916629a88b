"""The map of gain change over frequency and drive."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from distsweep.analysis.limits.gain_change import ONSET_DB
from distsweep.report import look
from distsweep.report.content import Block, Paragraph, Picture
from distsweep.report.figure_data import Curve, FigureData
from distsweep.report.rung_curves import rung_key
from distsweep.results import Staircase, Take
from distsweep.units import FloatArray
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.text import Text

MAP_LINES_DB = (ONSET_DB, -1.0, -3.0, -6.0)
_DEEPEST_DB = 12.0
"""The map's last colour: deeper compression looks the same (chosen: twelve decibels are a
sixteenth of the power, and the eye tells no more steps)."""


_APART_PIXELS = 55.0  # at 100 to an inch: a name of seven letters is 40 long

# Paper, straw, ochre, rust, oxblood: lightness falls all the way.
_LOSS_COLOURS = ("#ecd9a8", "#c98f3c", "#8a3a1c", "#2e0616")


def gain_grid(take: Take) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Frequency ``(F,)``, rising drive ``(R,)`` and gain change ``(R, F)``; None without any.

    Of a ladder only the rungs that did not clip: what the recorder holds back is not the
    loudspeaker's.
    """
    changes = None if take.compression is None else take.compression.gain_change_db
    if not take.staircase and changes is None:
        return None
    grid = _grid(take, lambda row: row.gain_change_db, lambda k: (changes or [])[k])
    return grid if grid is not None and np.any(np.isfinite(grid[2])) else None


def _known_grid(take: Take) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """The same without what noise leaves unknown by more than the onset, which lines would follow.

    All of it in results of earlier versions, which have no intervals.
    """
    grid, compression = gain_grid(take), take.compression
    lows = [] if compression is None else compression.gain_change_low_db
    highs = [] if compression is None else compression.gain_change_high_db
    of_tones = [len(row.gain_change_low_db) for row in take.staircase]
    if grid is None or not (lows or (of_tones and all(of_tones))):
        return grid
    width = _grid(
        take,
        lambda row: row.gain_change_high_db - row.gain_change_low_db,
        lambda k: highs[k] - lows[k],
    )
    assert width is not None  # the grid is the same
    with np.errstate(invalid="ignore"):
        known = width[2] <= -2.0 * ONSET_DB
    return grid[0], grid[1], np.where(known, grid[2], np.nan)


def level_errors(take: Take) -> tuple[FloatArray, FloatArray] | None:
    """How far each level's interval reaches down and up, ``(R, F)`` each, on `gain_grid`'s grid.

    None in results of earlier versions, which have no intervals.
    """
    if not all(len(curve.level_high_db) for curve in take.staircase):
        return None
    if not all(len(rung.fundamental_high_db) for rung in take.rungs):
        return None
    rungs = take.rungs
    with np.errstate(invalid="ignore"):  # −inf: nothing may be there
        down = _grid(
            take,
            lambda row: row.level_db - row.level_low_db,
            lambda k: rungs[k].fundamental_db - rungs[k].fundamental_low_db,
        )
        up = _grid(
            take,
            lambda row: row.level_high_db - row.level_db,
            lambda k: rungs[k].fundamental_high_db - rungs[k].fundamental_db,
        )
    return None if down is None or up is None else (down[2], up[2])


def _grid(
    take: Take, of_tone: Callable[[Staircase], FloatArray], of_rung: Callable[[int], FloatArray]
) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Put tones in order, or rungs that did not clip; None where there are no two levels."""
    if take.staircase:
        drives = np.unique(np.concatenate([row.drive_dbfs for row in take.staircase]))
        values = np.full((len(drives), len(take.staircase)), np.nan)
        for column, row in enumerate(take.staircase):
            values[np.searchsorted(drives, row.drive_dbfs), column] = of_tone(row)
        frequency_hz = np.array([row.frequency_hz for row in take.staircase])
        order = np.argsort(frequency_hz)
        frequency_hz, values = frequency_hz[order], values[:, order]
    else:
        rising = _rising(take)
        drives = np.array([take.rungs[k].drive_dbfs for k in rising])
        values = np.array([of_rung(k) for k in rising])
        frequency_hz = take.frequency_hz
    if len(drives) < 2 or len(frequency_hz) == 0:
        return None
    return frequency_hz, drives, values


def _rising(take: Take) -> list[int]:
    """Rungs that did not clip, quietest first."""
    clean = [k for k, rung in enumerate(take.rungs) if not rung.clipped]
    return sorted(clean, key=lambda k: take.rungs[k].drive_dbfs)


def _shows(take: Take) -> bool:
    """Tell whether a gain falls by half a decibel or more: a map of less would be blank."""
    grid = _known_grid(take)
    return grid is not None and bool(np.any(grid[2] <= MAP_LINES_DB[0]))


def block(take: Take, name: str) -> Block:
    """The map, or that it would be blank."""
    if _shows(take):
        return _picture(take, name)
    return Paragraph("The map of gain change is left out: no gain falls by 0.5 dB or more.")


def _picture(take: Take, name: str) -> Picture:
    """The figure with its caption."""
    return Picture(
        f"{name}-gain-map",
        partial(plot_gain_map, take),
        "Map of gain change over frequency and drive.",
        "Re the quietest reliable level.",
        "A limiter of the whole band begins at one height; one of the woofer alone leaves the right"
        " side pale. White is no compression, no value, or one that noise leaves unknown by more"
        " than 0.5 dB: look at the gain change above. Between two drives the map is interpolated.",
        data=partial(data, take),
        position=take.position,
    )


def data(take: Take) -> FigureData:
    """The map's rows: gain change against frequency, a curve a drive, which has no line."""
    grid = _known_grid(take)
    if grid is None:
        return FigureData("frequency", [])
    frequency_hz, drives, change = grid
    keys = (
        [f"step-{row}" for row in range(len(drives))]
        if take.staircase
        else [rung_key(index) for index in _rising(take)]
    )
    curves = [
        Curve(key, wording.drive(drive), "Gain change, dB re the quietest reliable level",
              frequency_hz, row, drive_dbfs=float(drive))
        for key, drive, row in zip(keys, drives, change, strict=True)
    ]  # fmt: skip
    return FigureData("frequency", curves)


def plot_gain_map(take: Take) -> Figure:
    """Map of the gain change of a ladder or staircase over frequency and drive.

    Darker is more compression; lines where the gain change passes `MAP_LINES_DB`. Of a staircase
    each column is one tone.

    Raises
    ------
    ValueError
        The take holds no gain change.
    """
    grid = _known_grid(take)
    if grid is None:
        raise ValueError("take has no gain change: it needs two levels or more")
    frequency_hz, drives, change = grid
    with look.our_look():
        figure = look.new_figure(4.6)
        axes = look.add_axes(
            figure, left=look.LEFT_IN, bottom=0.58, right=look.RIGHT_IN - 0.35, top=3.95
        )
        look.heading(
            figure,
            "Where the gain falls: frequency and drive",
            "Darker: less gain than at the quietest level. Lines: −0.5, −1, −3, −6 dB.",
        )
        if take.staircase:
            _draw_columns(axes, frequency_hz, drives, change)
        else:
            _draw_field(axes, frequency_hz, drives, change)
        axes.set_ylabel("Drive, dBFS")
        axes.set_xlabel(wording.EXCITATION_AXIS)
        axes.grid(False)
        _colour_bar(figure)
    return figure


def _draw_field(
    axes: Axes, frequency_hz: FloatArray, drives: FloatArray, change: FloatArray
) -> None:
    look.frequency_axis(
        look.reads(axes, "frequency"), *look.frequency_limits(*frequency_hz[[0, -1]].tolist())
    )
    look.decibel_axis(axes, float(drives[0]), float(drives[-1]))
    loss = np.ma.masked_invalid(np.clip(-change, 0.0, _DEEPEST_DB))
    steps = np.concatenate([np.arange(0.0, 2.0, 0.25), np.arange(2.0, _DEEPEST_DB + 0.1, 1.0)])
    axes.contourf(frequency_hz, drives, loss, levels=steps, cmap=look.map_colours(_LOSS_COLOURS),
                  vmin=0.0, vmax=_DEEPEST_DB)  # fmt: skip
    with np.errstate(invalid="ignore"):
        known = np.ma.masked_invalid(change)
        inside = [line for line in MAP_LINES_DB if np.any(known < line) and np.any(known > line)]
    if inside:
        lines = axes.contour(
            frequency_hz, drives, known, levels=sorted(inside), colors=look.INK, linewidths=0.8,
            linestyles="solid",
        )  # fmt: skip
        names = axes.clabel(lines, fmt=lambda value: f"{wording.plain(value)} dB", fontsize=7.5)
        _keep_apart(names)


def _keep_apart(names: Sequence[Text]) -> None:
    """Take names away that stand on another: of lines that nearly meet."""
    kept: list[FloatArray] = []
    for name in names:
        place = np.asarray(name.get_transform().transform(name.get_position()))
        if all(np.hypot(*(place - other)) > _APART_PIXELS for other in kept):
            kept.append(place)
            name.set_gid("fine")  # a small screen has no room for them
        else:
            name.remove()


def _draw_columns(
    axes: Axes, frequency_hz: FloatArray, drives: FloatArray, change: FloatArray
) -> None:
    """Draw one column a tone: nothing is claimed for the frequencies between them."""
    count = len(frequency_hz)
    axes.set_xlim(-0.5, count - 0.5)
    look.set_ticks(axes.xaxis, range(count), [wording.short_frequency(f) for f in frequency_hz])
    step = float(np.min(np.diff(drives))) if len(drives) > 1 else 1.0
    look.decibel_axis(axes, float(drives[0]) - 0.5 * step, float(drives[-1]) + 0.5 * step)
    colours = look.map_colours(_LOSS_COLOURS)
    for column in range(count):
        for row, drive in enumerate(drives):
            value = change[row, column]
            if not np.isfinite(value):
                continue
            colour = look.shade(colours, -value / _DEEPEST_DB)
            axes.bar(column, step, width=0.84, bottom=drive - 0.5 * step, color=colour,
                     linewidth=0.0, label="_cell", zorder=2)  # fmt: skip
        _draw_steps(axes, column, drives, change[:, column], step)


def _draw_steps(
    axes: Axes, column: int, drives: FloatArray, change: FloatArray, step: float
) -> None:
    """Draw a line across a column where the gain change passes each of the map's lines."""
    for limit in MAP_LINES_DB:
        for row in range(len(drives) - 1):
            before, after = change[row], change[row + 1]
            if before > limit >= after:
                at = drives[row] + step * (before - limit) / (before - after)
                axes.plot([column - 0.42, column + 0.42], [at, at], color=look.INK,
                          linewidth=0.8, label=f"_limit {limit:g}", zorder=3)  # fmt: skip
                break


def _colour_bar(figure: Figure) -> None:
    axes = look.add_axes(
        figure, left=look.RIGHT_IN - 0.15, bottom=0.58, right=look.RIGHT_IN, top=3.95
    )
    look.decibel_axis(axes, -_DEEPEST_DB, 0.0, step=2.0)
    axes.set_xlim(0.0, 1.0)
    axes.xaxis.set_visible(False)
    axes.grid(False)
    colours = look.map_colours(_LOSS_COLOURS)
    loss = np.arange(0.125, _DEEPEST_DB, 0.25)
    axes.bar(0.5, -0.26, width=1.0, bottom=0.125 - loss, linewidth=0.0, label="_key",
             color=[look.shade(colours, one / _DEEPEST_DB) for one in loss])  # fmt: skip
    look.on_the_right(axes)
    axes.set_ylabel("Gain change, dB")
