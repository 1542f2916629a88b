"""The figures of a take as the page shows them: name, caption, and how each can mislead."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from distsweep.analysis.noise.certainty import RELIABLE_DB
from distsweep.report.content import Picture
from distsweep.report.reliability import (
    loudest_index,
    order_ends_hz,
    reference_index,
)
from distsweep.results import Take
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.figure import Figure


_STATES = (
    "Noise moves a full line by less than 1.5 dB, but may move a thin pale one by several; what "
    "is no more than noise is not drawn."
)


def thd(take: Take, name: str) -> Picture:
    """THD against frequency at each level."""
    return Picture(
        f"{name}-thd",
        partial(_draw, "plot_thd", take),
        f"Total harmonic distortion against excitation frequency, {_lines(take)}; numbers are in "
        "the table.",
        "Total harmonic distortion re the fundamental at each level, in dB (left) and percent "
        f"(right). The number on a line is the drive in dBFS. {_STATES}{_spikes(take)}",
        "A level without a line is not clean: its distortion is hidden by noise. A scrap of a "
        "pale line may be noise that passed its margin by chance. "
        + _order_ends(take)
        + "Where the fundamental has a dip, at a place in the room for instance, THD has a peak.",
    )


def harmonics(take: Take, name: str) -> Picture:
    """Each harmonic at the highest drive that did not clip."""
    rung = take.rungs[loudest_index(take)]
    return Picture(
        f"{name}-harmonics",
        partial(_draw, "plot_harmonics", take),
        f"Each harmonic against excitation frequency at {wording.rung_name(rung)}.",
        f"Each harmonic at {wording.rung_name(rung)}, re the fundamental at the same excitation "
        f"frequency. Shaded: the level that noise alone would show. {_STATES}{_spikes(take)}",
        "A harmonic is drawn where the fundamental was played, not where it is heard: the 3rd of "
        "1 kHz sounds at 3 kHz, and a peak of the response there lifts it. A line of hum raises "
        "the floor of harmonic n at 1/n of its own frequency: hum at 50 Hz hides the 2nd of 25 Hz.",
    )


def fundamental(take: Take, name: str) -> Picture:
    """Fundamental at each level."""
    return Picture(
        f"{name}-fundamental",
        partial(_draw, "plot_fundamental", take),
        f"Level of the fundamental against excitation frequency, {_lines(take)}.",
        f"Level of the fundamental at each level, in {wording.level_unit(take)}"
        + (". " if wording.level_unit(take) == "dB SPL" else " (uncalibrated). ")
        + "Shaded, where it reaches into the picture: the highest noise floor of all levels; "
        f"its peaks are hum. {_STATES}" + _clipped_note(take),
        "The room is in it as well as the loudspeaker: below some 200 Hz it may outweigh it. "
        "Lines that come closer together towards high drives mean compression, which the gain "
        "change shows better.",
    )


def gain_change(take: Take, name: str) -> Picture | None:
    """Gain change re the reference rung; None when there is none."""
    reference = reference_index(take)
    if take.compression is None or reference is None:
        return None
    return Picture(
        f"{name}-gain-change",
        partial(_draw, "plot_gain_change", take),
        f"Gain change against excitation frequency re the reference rung, {_lines(take)}.",
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


def _spikes(take: Take) -> str:
    """Explain the triangles, where there are any."""
    if not take.spikes:
        return ""
    drive = wording.drive(take.rungs[loudest_index(take)].drive_dbfs)
    return f" Triangles mark the narrow peaks at {drive}."


def _clipped_note(take: Take) -> str:
    if not any(rung.clipped for rung in take.rungs):
        return ""
    return (
        " Of a level that clipped only those stretches are shown which a reliable harmonic or "
        "gain change proves to be unclipped."
    )


def _draw(function: str, take: Take) -> Figure:
    """Draw only now, so that planning a page loads no matplotlib."""
    from distsweep.report import figures

    figure: Figure = getattr(figures, function)(take)
    return figure


def _lines(take: Take) -> str:
    drives = [rung.drive_dbfs for rung in take.rungs]
    if len(drives) == 1:
        return f"one line at {wording.drive(drives[0])} drive"
    ends = f"{wording.drive(min(drives))} to {wording.drive(max(drives))}"
    return f"{len(drives)} lines from {ends} drive"
