"""Impulses that the loudspeaker makes: rub, bottoming, loose parts. Figure and words.

"Impulsive distortion" is the term of IEC 60268-21.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from distsweep.flag_runs import runs_of
from distsweep.report import ladder_chart, look
from distsweep.report.content import Picture
from distsweep.report.damage import strip as damage
from distsweep.report.distortion.thd import thd_limits
from distsweep.report.figure_data import FigureData
from distsweep.report.lines import Line
from distsweep.report.reliability import Standing
from distsweep.report.rung_curves import rung_curves
from distsweep.results import Results, Rung, Take
from distsweep.units import BoolArray
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_ONE_OCTAVES = 1.0 / 6.0
"""Gaps narrower than this do not part a stretch (chosen: a sentence names a place, not points)."""


def picture(take: Take, name: str) -> Picture | None:
    """The figure with its caption; None where the loudspeaker makes no impulses."""
    if not _stretches(take):
        return None
    return Picture(
        f"{name}-impulses",
        partial(plot_impulses, take),
        "Level of impulses against excitation frequency, "
        f"{ladder_chart.lines_caption(take)}. {' '.join(sentences(take))}",
        "Impulses of the loudspeaker (impulsive distortion, IEC 60268-21), re the fundamental at "
        "the same excitation frequency: what comes again there at several levels. "
        f"{' '.join(sentences(take))}{damage.caption(take)}",
        "An object in the room that rattles when a frequency is played does so at every level "
        "above some, and looks the same. In the gaps impulses may be there, below the noise.",
        data=partial(data, take),
        position=take.position,
    )


def data(take: Take) -> FigureData:
    """The impulses of each rung, as drawn."""
    curves = rung_curves(take, _lines(take), "Impulses, dB re fundamental", re_fundamental=True)
    return FigureData("frequency", curves)


def _lines(take: Take) -> list[Line]:
    nowhere = np.zeros(take.frequency_hz.shape, dtype=bool)
    lines = []
    for rung in take.rungs:
        there = _there(take, rung)
        values = rung.impulsive_db if rung.impulsive_db.size else np.full(nowhere.shape, np.nan)
        remark = "" if there.any() else "none was found"
        lines.append(Line(values, Standing(there, nowhere), remark))
    return lines


def plot_impulses(take: Take) -> Figure:
    """Level of the loudspeaker's impulses against frequency, one line a rung.

    Parameters
    ----------
    take
        A take of a ladder.

    Returns
    -------
    matplotlib.figure.Figure
        Levels in dB re the fundamental, where impulses were found.

    Raises
    ------
    ValueError
        The take holds no rung.
    """
    ladder_chart.need_rungs(take)
    lines = _lines(take)
    with look.our_look():
        figure, axes = ladder_chart.draw_ladder(
            take,
            lines,
            title="Impulses of the loudspeaker at each level",
            subtitle="Number on a line: drive in dBFS. Re the fundamental at the same frequency.",
            limits_db=thd_limits(*ladder_chart.drawn_values(lines)),
            legend="Where the bar runs the loudspeaker makes impulses",
        )
        axes.set_ylabel("Impulses, dB re fundamental")
    return figure


def sentence(_results: Results, take: Take) -> str | None:
    """Say where the loudspeaker makes impulses; None where it makes none."""
    return " ".join(sentences(take)) or None


def sentences(take: Take) -> list[str]:
    """Say for each stretch of frequencies from which drive there are impulses, and how strong."""
    return [_sentence(take, first, end) for first, end in _stretches(take)]


def _there(take: Take, rung: Rung) -> BoolArray:
    if not rung.impulsive_db.size:
        return np.zeros(take.frequency_hz.shape, dtype=bool)
    return np.asarray(np.isfinite(rung.impulsive_db))


def _stretches(take: Take) -> list[tuple[int, int]]:
    """Return where any rung has impulses, as pairs of grid points (first, one past the last)."""
    f, merged = take.frequency_hz, list[tuple[int, int]]()
    if not take.rungs:
        return merged
    for first, end in runs_of(np.any([_there(take, rung) for rung in take.rungs], axis=0)):
        if merged and np.log2(f[first] / f[merged[-1][1] - 1]) < _ONE_OCTAVES:
            merged[-1] = (merged[-1][0], end)
        else:
            merged.append((first, end))
    return merged


def _sentence(take: Take, first: int, end: int) -> str:
    """Say of a stretch at which drives it has impulses, and how strong they are."""
    having = [rung for rung in take.rungs if _there(take, rung)[first:end].any()]
    drives = sorted(rung.drive_dbfs for rung in having)
    louder = [rung for rung in take.rungs if rung.drive_dbfs >= drives[0]]
    if len(louder) == len(having) and len(having) > 1:
        at = f"from {wording.drive(drives[0])} up"
    else:
        named = wording.listed([wording.plain(drive) for drive in drives])
        at = f"at {wording.with_unit(named, 'dBFS')}"
    highest_db = max(float(np.nanmax(rung.impulsive_db[first:end])) for rung in having)
    place = wording.frequency_range(*(float(take.frequency_hz[k]) for k in (first, end - 1)))
    return (
        f"There are impulses at {place} {at}, the highest"
        f" {wording.decibels(highest_db, decimals=0)} re the fundamental: rub, bottoming or a loose"
        " part (impulsive distortion)."
    )
