"""Gain change of a ladder's rungs re the reference rung: figure and words."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from distsweep.analysis.noise.certainty import RELIABLE_DB
from distsweep.report import ladder_chart, look, reliability
from distsweep.report.content import Picture
from distsweep.report.lines import Line
from distsweep.report.reliability import Standing, gain_change_reliable, reference_index
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
        "Gain change of each level re "
        f"{wording.drive(take.rungs[reference].drive_dbfs)}: 0 dB where output follows drive, "
        "below it where the loudspeaker (or its limiter) holds back.",
        "Anything that changed between two levels shows here: a voice coil that warmed, a "
        "microphone that moved, a passing noise. The return check in the summary tells what was "
        "left of it at the end. It is drawn "
        f"only where both levels stand {RELIABLE_DB:g} dB above the noise. Where they "
        "barely do, noise alone moves it by about half a decibel, as much as the onset of "
        "compression; hum makes gaps and small peaks at its own frequencies.",
    )


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
    nowhere = np.zeros(take.frequency_hz.shape, dtype=bool)
    lines = [
        Line(gain, Standing(gain_change_reliable(take, index), nowhere))
        for index, gain in enumerate(take.compression.gain_change_db)
    ]
    lines[reference] = Line(
        lines[reference].values, Standing(nowhere, nowhere), "reference: 0 dB by itself"
    )
    name = wording.drive(take.rungs[reference].drive_dbfs)
    with look.our_look():
        figure, axes = ladder_chart.draw_ladder(
            take,
            lines,
            title="Gain change at each level",
            subtitle=f"Number on a line: drive in dBFS. Reference: {name}. Below 0: compression.",
            limits_db=_gain_limits(lines),
            legend=ladder_chart.ONE_STATE,
        )
        axes.set_ylabel("Gain change, dB re reference rung")
        axes.axhline(0.0, color=look.QUIET_INK, linewidth=1.0, label="_zero", zorder=2)
    return figure


def _gain_limits(lines: list[Line]) -> tuple[float, float]:
    """Limits that hold all that is drawn, and ±1 dB at least, so that trifles look like ones."""
    shown, _ = ladder_chart.drawn_values(lines)
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
    flags = gain_change_reliable(take, index)
    gain = take.compression.gain_change_db[index]
    deepest = reliability.highest(take.frequency_hz, -gain, flags)
    if deepest is None:
        return f"No gain change at {name} stands clear of the noise."
    middle = float(np.median(gain[flags]))
    reference = take.compression.reference_drive_dbfs
    assert reference is not None  # reference_index found it
    return (
        f"Against {wording.drive(reference)}, the gain at {name} changed by "
        f"{wording.decibels(-deepest.value)} at worst, "
        f"at {wording.frequency(deepest.frequency_hz)}, "
        f"and by {wording.decibels(middle)} in the median of all frequencies that can be judged."
    )
