"""The figure of THD at stated levels: a panel for each meaning of a level."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from distsweep.report import ladder_chart, look
from distsweep.report.content import Picture
from distsweep.report.distortion.thd import thd_limits
from distsweep.report.figure_data import Curve, FigureData
from distsweep.report.reliability import beside, only
from distsweep.report.stated_levels.levels import meanings, of_meaning, standing, thd_parts
from distsweep.report.stated_levels.words import level_name
from distsweep.results import BAND, EACH_FREQUENCY, AtSpl, Take
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_PANEL_IN, _GAP_IN, _FOOT_IN, _HEAD_IN = 2.3, 0.42, 0.55, 0.95
_WIDTH = 1.6  # points, as a ladder's loudest line
PANEL_TITLES = {
    BAND: "In the level band: one drive for all frequencies",
    EACH_FREQUENCY: "At each frequency: a drive for each",
}


def picture(take: Take, name: str) -> Picture:
    """The figure with its caption."""
    levels = wording.listed([level_name(level) for level in _levels(take)])
    return Picture(
        f"{name}-stated-levels",
        partial(plot_stated_levels, take),
        f"THD against frequency at {levels}; numbers are in the table.",
        "Read between the levels played. Pale: less well known than 1.5 dB. Shaded: the 95 %"
        " interval, with what may happen between two levels.",
        "Where distortion sets in between two levels played, the interval spans both, and the line"
        " in it is no more than the likeliest course.",
        data=partial(figure_data, take),
        position=take.position,
    )


def figure_data(take: Take) -> FigureData:
    """The numbers of the figure, a curve for each level and meaning."""
    colours = _colours(take)
    curves = [
        _curve(stated, colours[stated.spl_db])
        for meaning in meanings(take)
        for stated in of_meaning(take, meaning)
    ]
    return FigureData("frequency", curves)


def _curve(stated: AtSpl, colour: str) -> Curve:
    """Return what is drawn of a level; elsewhere, where its high end is known, "at most" that."""
    values, low, high = thd_parts(stated)
    drawn = np.logical_or(*standing(values, low, high))
    return Curve(
        key=_key(stated),
        name=_name(stated),
        quantity="THD, dB re fundamental",
        x=stated.frequency_hz,
        values=only(values, drawn),
        low=np.where(~drawn & np.isfinite(high), -np.inf, low),
        high=high,
        re_fundamental=True,
        spl_db=stated.spl_db,
        colour=colour,
    )


def plot_stated_levels(take: Take) -> Figure:
    """THD against frequency at stated levels, one panel for each meaning.

    Raises
    ------
    ValueError
        The take holds no stated level.
    """
    shown = meanings(take)
    if not shown:
        raise ValueError("take states no level: give levels_spl in [report] of session.toml")
    limits = thd_limits(*_drawn(take))
    with look.our_look():
        height = _FOOT_IN + len(shown) * (_PANEL_IN + _GAP_IN) - _GAP_IN + _HEAD_IN
        figure = look.new_figure(height)
        look.heading(
            figure,
            "THD at stated levels",
            "Read between the levels played. Re the fundamental at the same frequency.",
        )
        top = height - _HEAD_IN
        for meaning in shown:
            axes = look.add_axes(
                figure, left=look.LEFT_IN, bottom=top - _PANEL_IN, right=look.RIGHT_IN, top=top
            )
            _panel(axes, take, meaning, limits)
            top -= _PANEL_IN + _GAP_IN
        axes.tick_params(axis="x", labelbottom=True)
        axes.set_xlabel(wording.EXCITATION_AXIS)
        colours = _colours(take)
        keys = [
            look.key_line(level_name(level), colours[level], linewidth=_WIDTH)
            for level in _levels(take)
        ]
        figure.legend(handles=keys, loc="upper left", ncols=len(keys), frameon=False, fontsize=8.5,
                      bbox_to_anchor=(0.014, 1 - 0.55 / height), borderaxespad=0.0)  # fmt: skip
    return figure


def _panel(axes: Axes, take: Take, meaning: str, limits_db: tuple[float, float]) -> None:
    look.reads(axes, "frequency")
    look.frequency_axis(axes, float(take.frequency_hz[0]), float(take.frequency_hz[-1]))
    look.decibel_axis(axes, *limits_db)
    axes.tick_params(axis="x", which="both", labelbottom=False)
    axes.set_title(PANEL_TITLES[meaning], loc="left", fontsize=8.5, color=look.QUIET_INK, pad=3.0)
    axes.set_ylabel("THD, dB re fund.")
    colours = _colours(take)
    for stated in of_meaning(take, meaning):
        _draw(axes, stated, colours[stated.spl_db])
    look.percent_axis(axes, "% of fundamental")


def _draw(axes: Axes, stated: AtSpl, colour: str) -> None:
    values, low, high = thd_parts(stated)
    f, (reliable, uncertain) = stated.frequency_hz, standing(values, low, high)
    known = reliable | uncertain
    artists = [
        axes.fill_between(f, only(low, known), only(high, known), color=colour, linewidth=0.0,
                          alpha=look.BAND_SHARE, label="_interval", zorder=2.2),
        *axes.plot(f, only(values, beside(uncertain, reliable)), color=look.paler(colour),
                   linewidth=2 * look.HAIR_LINE, label="_uncertain", zorder=2.5),
        *axes.plot(f, only(values, reliable), color=colour, linewidth=_WIDTH,
                   label=level_name(stated.spl_db), zorder=3),
    ]  # fmt: skip
    ladder_chart.draw_lone_points(axes, f, only(values, reliable), colour)
    look.belongs_to(_key(stated), *artists)


def _drawn(take: Take) -> tuple[np.ndarray, np.ndarray]:
    """All values drawn full, and all drawn pale."""
    parts: tuple[list[np.ndarray], list[np.ndarray]] = ([], [])
    for stated in take.at_spl:
        for part, flags in zip(parts, standing(*thd_parts(stated)), strict=True):
            part.append(stated.thd_db[flags])
    return np.concatenate(parts[0]), np.concatenate(parts[1])


def _levels(take: Take) -> list[float]:
    return sorted({stated.spl_db for stated in take.at_spl})


def _colours(take: Take) -> dict[float, str]:
    levels = _levels(take)
    return dict(zip(levels, look.level_colours(len(levels)), strict=True))


def _key(stated: AtSpl) -> str:
    number = f"{stated.spl_db:g}".replace(".", "-")
    return f"spl-{number}" if stated.meaning == BAND else f"spl-{number}-each"


def _name(stated: AtSpl) -> str:
    where = "in the level band" if stated.meaning == BAND else "at each frequency"
    return f"{level_name(stated.spl_db)} {where}"
