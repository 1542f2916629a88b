"""Gain change of a ladder's rungs re the reference rung: figure and words."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from distsweep.analysis.noise.certainty import RELIABLE_DB
from distsweep.report import ladder_chart, look, reliability
from distsweep.report.content import Picture
from distsweep.report.damage import strip as damage
from distsweep.report.figure_data import FigureData
from distsweep.report.lines import Line, gain_change_line
from distsweep.report.reliability import Standing, reference_index
from distsweep.report.rung_curves import rung_curves, rung_key
from distsweep.results import Results, Take
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def picture(take: Take, name: str) -> Picture | None:
    """The figure with its caption; None without a reference rung."""
    reference = reference_index(take)
    if take.compression is None or reference is None:
        return None
    return Picture(
        f"{name}-gain-change",
        partial(plot_gain_change, take),
        "Gain change against excitation frequency re the reference rung, "
        f"{ladder_chart.lines_caption(take)}.",
        f"Re {wording.drive(take.rungs[reference].drive_dbfs)}: below 0 dB the loudspeaker, or its "
        f"limiter, holds back.{damage.caption(take)}",
        "Anything that changed between two levels shows here: a voice coil that warmed, a "
        "microphone that moved, a passing noise. The return check tells what was "
        "left of it at the end. It is drawn "
        f"only where both levels stand {RELIABLE_DB:g} dB above the noise. Where they "
        "barely do, noise alone moves it by about half a decibel, as much as the onset of "
        "compression; hum makes gaps and small peaks at its own frequencies."
        + (" Shaded: the 95 % interval, of the level's and the reference's noise together."
           if _has_ends(take) else ""),
        data=partial(data, take),
        position=take.position,
    )  # fmt: skip


def data(take: Take) -> FigureData:
    """The gain change of each rung but the reference, as drawn."""
    curves = rung_curves(take, _lines(take), "Gain change, dB re reference rung")
    reference = reference_index(take)
    return FigureData(
        "frequency",
        [curve for curve in curves if reference is None or curve.key != rung_key(reference)],
    )


def _lines(take: Take) -> list[Line]:
    """The line of each rung; of the reference nothing is drawn."""
    nowhere = np.zeros(take.frequency_hz.shape, dtype=bool)
    lines = [gain_change_line(take, index) for index in range(len(take.rungs))]
    reference = reference_index(take)
    if reference is not None:
        lines[reference] = Line(
            lines[reference].values, Standing(nowhere, nowhere), "reference: 0 dB by itself"
        )
    return lines


def _has_ends(take: Take) -> bool:
    """Whether the gain changes have intervals; those of earlier versions have none."""
    return take.compression is not None and bool(take.compression.gain_change_high_db)


def plot_gain_change(take: Take) -> Figure:
    """Gain change against frequency re the reference rung, one line a rung.

    Parameters
    ----------
    take
        A take of a ladder with compression computed.

    Returns
    -------
    matplotlib.figure.Figure
        0 dB: output follows drive. Below: compression. Drawn only where both fundamentals
        stand 25 dB above their floors: there noise moves it by half a decibel or less (RMS).
        Intervals are shaded.

    Raises
    ------
    ValueError
        The take holds no rung, or no gain change was computed.
    """
    ladder_chart.need_rungs(take)
    reference = reference_index(take)
    if take.compression is None or reference is None:
        raise ValueError(
            "take has no gain change: it needs a reference rung; analyse a ladder of two or more"
        )
    lines = _lines(take)
    name = wording.drive(take.rungs[reference].drive_dbfs)
    with look.our_look():
        figure, axes = ladder_chart.draw_ladder(
            take,
            lines,
            title="Gain change at each level",
            subtitle=f"Number on a line: drive in dBFS. Reference: {name}. Below 0: compression.",
            limits_db=look.style().gain_change_db or _gain_limits(lines),
            legend=ladder_chart.ONE_STATE + (ladder_chart.SHADED if _has_ends(take) else ""),
        )
        axes.set_ylabel("Gain change, dB re reference rung")
        axes.axhline(0.0, color=look.QUIET_INK, linewidth=1.0, label="_zero", zorder=2)
    return figure


def _gain_limits(lines: list[Line]) -> tuple[float, float]:
    """Limits that hold all that is drawn, and ±1 dB at least, so that trifles look like ones."""
    parts = [
        part[line.standing.reliable]
        for line in lines
        for part in (line.values, line.low_db, line.high_db)
        if part.size
    ]
    shown = np.concatenate(parts)
    low = min(-1.0, float(shown.min())) if shown.size else -1.0
    high = max(1.0, float(shown.max())) if shown.size else 1.0
    step = look.tick_step_db(high - low)
    return (step * np.floor(low / step - 0.2), step * np.ceil(high / step + 0.2))


def sentence(_results: Results, take: Take) -> str:
    """Say how the gain of the loudest rung changed, or why that is not known."""
    if len(take.rungs) < 2:
        return "Compression cannot be told: it takes two levels or more."
    if take.compression is None or reference_index(take) is None:
        return (
            "Compression cannot be told: no level that did not clip is known to stand clear of "
            "the noise nearly everywhere, so there is no reference."
        )
    index = reliability.loudest_index(take)
    name = wording.drive(take.rungs[index].drive_dbfs)
    if index == reference_index(take):
        return f"Compression cannot be told: {name} is itself the reference."
    line = gain_change_line(take, index)
    known = np.flatnonzero(line.standing.reliable)
    if not known.size:
        if np.isfinite(line.values).any():
            return f"No gain change at {name} is known within 1.5 dB."
        return f"No gain change at {name} stands clear of the noise."
    parts = [part[known] for part in (line.values, line.low_db, line.high_db) if part.size]
    deepest = int(np.argmin(parts[0]))
    # The median of what lies between ends lies between the medians of these.
    worst, middle = (
        wording.known_decibels(*ends, *[np.nan] * (3 - len(parts)))
        for ends in ([part[deepest] for part in parts], [np.median(part) for part in parts])
    )
    reference = take.compression.reference_drive_dbfs
    assert reference is not None  # reference_index found it
    place = wording.frequency(float(take.frequency_hz[known[deepest]]))
    fallen = (
        f"changed by {worst} at worst, at {place}, and"
        if "−" in worst
        else "is nowhere seen to fall, and changed"
    )
    return (
        f"Against {wording.drive(reference)}, the gain at {name} {fallen} by {middle} in the "
        "median of all frequencies that can be judged."
    )
