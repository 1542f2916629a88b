"""The figures of a take as the page shows them: name, caption, and how each can mislead."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from distsweep.report import wording
from distsweep.report.content import Picture
from distsweep.report.reliability import loudest_index, reference_index
from distsweep.results import Take

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def thd(take: Take, name: str) -> Picture:
    """THD against frequency at each level."""
    return Picture(
        f"{name}-thd",
        partial(_draw, "plot_thd", take),
        f"Total harmonic distortion against frequency, {_lines(take)}; numbers are in the table.",
        "Total harmonic distortion re the fundamental at each level, in dB (left) and percent "
        "(right). The number on a line is the drive in dBFS; only reliable values are drawn.",
        "A level without a line is not clean: its distortion is hidden by noise. A lone open dot "
        "may be noise that passed the 6 dB margin by chance. Towards high frequencies "
        "fewer orders fit the measured band, so THD falls there without the loudspeaker getting "
        "better. Where the fundamental has a dip, at a place in the room for instance, THD has a "
        "peak.",
    )


def harmonics(take: Take, name: str) -> Picture:
    """Each harmonic of the loudest rung."""
    rung = take.rungs[loudest_index(take)]
    return Picture(
        f"{name}-harmonics",
        partial(_draw, "plot_harmonics", take),
        f"Each harmonic against excitation frequency at {wording.rung_name(rung)}.",
        f"Each harmonic at {wording.rung_name(rung)}, re the fundamental at the same excitation "
        "frequency. Shaded: the level that noise alone would show. Dotted: not reliable.",
        "A harmonic is drawn where the fundamental was played, not where it is heard: the 3rd of "
        "1 kHz sounds at 3 kHz, and a peak of the response there lifts it. Dotted stretches are "
        "mostly noise, and a lone open dot among them may be chance.",
    )


def fundamental(take: Take, name: str) -> Picture:
    """Fundamental at each level."""
    return Picture(
        f"{name}-fundamental",
        partial(_draw, "plot_fundamental", take),
        f"Level of the fundamental against frequency, {_lines(take)}.",
        f"Level of the fundamental at each level, in {wording.level_unit(take)}"
        + (". " if wording.level_unit(take) == "dB SPL" else " (uncalibrated). ")
        + "Shaded, where it reaches into the picture: the highest noise floor of all levels.",
        "The room is in it as well as the loudspeaker: below some 200 Hz it may outweigh it. "
        "Lines that come closer together at the top mean compression, which the gain change "
        "shows better.",
    )


def gain_change(take: Take, name: str) -> Picture | None:
    """Gain change re the reference rung; None when there is none."""
    reference = reference_index(take)
    if take.compression is None or reference is None:
        return None
    return Picture(
        f"{name}-gain-change",
        partial(_draw, "plot_gain_change", take),
        f"Gain change against frequency re the reference level, {_lines(take)}.",
        "Gain change of each level re "
        f"{wording.drive(take.rungs[reference].drive_dbfs)}: 0 dB where output follows drive, "
        "below it where the loudspeaker (or its limiter) holds back.",
        "Anything that changed between two levels shows here: a voice coil that warmed, a "
        "microphone that moved, a noise. The return check in the summary tells what was left of "
        "it at the end. It is drawn "
        "only where both levels stand 26 dB above the noise, so that noise alone moves it by a "
        "few tenths of a decibel.",
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
