"""A map of the impulse response's decay, with the settings that made it printed beside it."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from distsweep.report import look
from distsweep.report.content import Picture
from distsweep.report.figure_data import Curve, FigureData
from distsweep.results import DecayMap, Take
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.contour import QuadContourSet
    from matplotlib.figure import Figure

_STEP_DB = 5.0
_TIMES_S = (0.002, 0.005, 0.01, 0.02, 0.05)  # chosen: a few of the map's columns, in even ratios
_COLOURS = ("#e9d8b4", "#cf9a4a", "#8a3a1c", "#2e0616")


def picture(take: Take, marks_hz: list[float], name: str) -> Picture:
    """The figure with its caption; ``marks_hz`` are the resonances to mark."""
    return Picture(
        name,
        partial(plot_decay_map, take, marks_hz),
        f"Decay of the impulse response at “{take.position}” over frequency.",
        f"{'Triangles: the resonances above. ' if marks_hz else ''}{_settings_words(take)}",
        "Such maps can be made to show anything: a narrower band-pass rings longer by "
        "itself, a lower floor shows more of the room. What lies under the thin line is the "
        "band-pass; what comes after the dashed line holds the room.",
        data=partial(data, take),
        position=take.position,
    )


def data(take: Take) -> FigureData:
    """How far each frequency has fallen at some times after the direct sound; no lines of it.

    What has fallen below the map's floor is at most that.
    """
    decay = take.decay_map
    if decay is None:
        return FigureData("frequency", [])
    nowhere = np.full(len(decay.frequency_hz), np.nan)
    curves = []
    places = [int(np.argmin(np.abs(decay.time_s - time_s))) for time_s in _TIMES_S]
    for place in dict.fromkeys(places):
        level_db = np.array([row[place] for row in decay.level_db])
        gone = level_db <= decay.floor_db
        curves.append(
            Curve(
                f"time-{place}", f"{_milliseconds(decay.time_s[place])} after the direct sound",
                "Decay, dB re the highest level of that frequency", decay.frequency_hz,
                np.where(gone, np.nan, level_db), np.where(gone, -np.inf, nowhere),
                np.where(gone, decay.floor_db, nowhere), drive_dbfs=decay.drive_dbfs,
            )
        )  # fmt: skip
    return FigureData("frequency", curves)


def plot_decay_map(take: Take, marks_hz: list[float] | None = None) -> Figure:
    """Draw how each frequency's envelope falls after the direct sound.

    Parameters
    ----------
    take
        A take with a decay map.
    marks_hz
        Frequencies to mark, of resonances.

    Returns
    -------
    matplotlib.figure.Figure
        Time upwards, frequency to the right, a shade every 5 dB down to the map's floor; beside
        it every setting that the picture depends on.

    Raises
    ------
    ValueError
        The take holds no decay map.

    Notes
    -----
    The band-pass rings by itself; below the thin line nothing else can be seen.
    """
    decay = take.decay_map
    if decay is None:
        raise ValueError("take has no decay map: it needs a ladder with one level that is clean")
    with look.our_look():
        figure = look.new_figure(3.9)
        look.heading(
            figure,
            f"How the sound dies away at “{take.position}”",
            "Each frequency re its own highest level. Where the shade reaches far up, it rings on.",
        )
        map_in, bar_in = look.WIDTH_IN - 2.15, look.WIDTH_IN - 2.0
        axes = look.add_axes(figure, left=look.LEFT_IN, bottom=0.58, right=map_in, top=3.1)
        shades = _draw_map(axes, decay)
        for mark_hz in marks_hz or []:
            axes.plot([mark_hz], [1.015], marker="v", markersize=5.0, color=look.RED,
                      transform=axes.get_xaxis_transform(), clip_on=False,
                      label="_mark")  # fmt: skip
        bar = figure.colorbar(shades, cax=look.add_axes(figure, left=bar_in, bottom=0.58,
                                                        right=bar_in + 0.12, top=3.1))  # fmt: skip
        look.decibel_ticks(bar.ax.yaxis)
        bar.ax.set_title("dB")
        axes.annotate(_settings(decay), (1.0, 1.0), (0.97 * 72.0, 0.0), xycoords="axes fraction",
                      textcoords="offset points", va="top", fontsize=7.0, linespacing=1.45,
                      gid="fine")  # fmt: skip
    return figure


def _draw_map(axes: Axes, decay: DecayMap) -> QuadContourSet:
    """Draw shades, the band-pass's own ringing and the first reflection; return the shades."""
    time_ms = 1000.0 * decay.time_s
    look.frequency_axis(
        look.reads(axes, "frequency"), float(decay.frequency_hz[0]), float(decay.frequency_hz[-1])
    )
    shades = axes.contourf(
        decay.frequency_hz, time_ms, np.array(decay.level_db).T,
        levels=np.arange(decay.floor_db, 0.1, _STEP_DB), cmap=look.map_colours(_COLOURS),
        extend="min",
    )  # fmt: skip
    axes.plot(decay.frequency_hz, 1000.0 * decay.ringing_s, color=look.QUIET_INK,
              linewidth=0.9, label="_ringing")  # fmt: skip
    if decay.reflection_s is not None:
        axes.axhline(1000.0 * decay.reflection_s, color=look.EVEN, linewidth=1.0,
                     linestyle=(0, (3, 2)), label="_reflection")  # fmt: skip
    axes.set_ylim(0.0, float(time_ms[-1]))
    axes.set_xlabel(wording.EXCITATION_AXIS)
    axes.set_ylabel("Time after the direct sound, ms")
    return shades


def _settings(decay: DecayMap) -> str:
    rows_per_octave = round(1.0 / float(np.log2(decay.frequency_hz[1] / decay.frequency_hz[0])))
    reflection = (
        "none found"
        if decay.reflection_s is None
        else f"{_milliseconds(decay.reflection_s)}\n(dashed line)"
    )
    return (
        "Settings\n"
        f"Drive: {wording.drive(decay.drive_dbfs)}\n"
        f"Band-pass: Gaussian,\n1/{1.0 / decay.bandwidth_octaves:.0f} octave at −3 dB\n"
        "Its own ringing to\n−20 dB: thin line\n"
        f"Rows: {rows_per_octave} an octave\n"
        f"Time step: {_milliseconds(decay.time_s[1] - decay.time_s[0])}\n"
        f"Floor: {wording.signed(decay.floor_db, 0)} dB\n"
        "Time 0: direct sound\n"
        "First strong reflection:\n"
        f"{reflection}"
    )


def _settings_words(take: Take) -> str:
    """The settings for the page, which shows them beside the map on wide screens only."""
    if take.decay_map is None:
        return ""
    words = _settings(take.decay_map).replace(",\n", ", ").replace("to\n", "to ")
    words = words.replace("reflection:\n", "reflection: ").replace("\n(", " (")
    title, *lines = words.split("\n")
    return f"{title}: {'; '.join(line[:1].lower() + line[1:] for line in lines)}."


def _milliseconds(time_s: float) -> str:
    return wording.with_unit(wording.signed(1000.0 * time_s), "ms")
