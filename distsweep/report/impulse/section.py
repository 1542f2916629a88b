"""The page's section on impulse and step response, for those who ask."""

from __future__ import annotations

import numpy as np

from distsweep.report.content import Block, Paragraph, Section
from distsweep.report.impulse import figure
from distsweep.results import ImpulseResponse, Results, Take
from distsweep.words import wording

_SHAPED_DB = 0.05
"""A drive that differs by more over frequency is mentioned (chosen: it rounds to a tenth)."""


def impulse(_results: Results, take: Take, name: str) -> Section | None:
    """Impulse and step response with their window, and what the room adds to them."""
    if take.impulse is None:
        return None
    blocks: list[Block] = [
        Paragraph(_window_words(take, take.impulse)),
        Paragraph(room_words(take.impulse)),
        figure.picture(take, name),
    ]
    return Section(
        "Impulse and step response",
        f"take-{name}.impulse",
        blocks,
        folded=True,
        lead=f"The answer to a click and to a step at {wording.drive(take.impulse.drive_dbfs)},"
        " with window and reflections.",
    )


def _window_words(take: Take, found: ImpulseResponse) -> str:
    """Say where the response comes from, what cuts it out, and what else is in it."""
    before, after = (_milliseconds(time_s) for time_s in found.window_s)
    calibration = take.calibration
    shaped = bool(np.any(np.abs(take.drive_shape_db) >= _SHAPED_DB))
    parts = [
        "The linear impulse response, by deconvolution of the sweep at"
        f" {wording.drive(found.drive_dbfs)}, the highest level that did not clip: harmonics arrive"
        " earlier, and are cut off.",
        f"A rectangular window cuts it out, from {before} before to {after} after the direct sound;"
        " what swings more slowly than it is long is not seen to its end.",
        "It holds no more than the sweep's frequencies, which reach little beyond the measured band"
        + (f", {wording.frequency_range(*take.band_hz)}." if len(take.band_hz) == 2 else "."),
    ]
    if calibration.mic_correction:
        parts.append("The microphone's correction is not in it.")
    if shaped:
        parts.append("The drive was lower at some frequencies, and that is in it.")
    return " ".join(parts)


def room_words(found: ImpulseResponse) -> str:
    """Say from when on a room's reflections are in it, or that one may be."""
    if found.free_s is None:
        return (
            "No reflection was found. A weak one, or one within the loudspeaker's own ringing, may"
            " be in it all the same."
        )
    first = _milliseconds(found.free_s)
    if found.free_s >= found.window_s[1]:
        return f"The first reflection was found {first} after the direct sound: behind the window."
    return (
        f"From {first} after the direct sound on reflections are in it: the first was found about"
        " there, and what follows is the loudspeaker and the room together."
    )


def _milliseconds(time_s: float) -> str:
    return wording.with_unit(wording.signed(1000.0 * time_s), "ms")
