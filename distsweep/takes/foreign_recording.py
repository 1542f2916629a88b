"""Reading a recording of sweeps that have no markers: all of it at once, and so no hours."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from distsweep.errors import InputError
from distsweep.stimulus.found_sweep import FoundStimulus
from distsweep.takes.recording import Recording, read_recording
from distsweep.takes.sound_file import open_sound

LONGEST_SAMPLES = 2**26
"""Longest recording in which sweeps without markers are sought, whole, at 23 minutes of 48 kHz
(chosen: the search holds it some five times over, which is 3 GB)."""


def read_foreign(
    paths: Sequence[Path], stimulus: FoundStimulus, *, channel: int, number: int | None
) -> list[Recording]:
    """Read the recordings of a stimulus that was found in a sound file.

    Raises
    ------
    InputError
        One cannot be used, is too long, or a run is named, which only markers tell apart.
    """
    if number is not None and number > 1:
        raise InputError(
            f"{paths[0]}: run {number} was asked for, and the sweeps of {stimulus.file.name} have"
            " no markers that tell runs apart: leave number out, and give a file for each run"
        )
    for path in paths:
        sound = open_sound(path)
        if sound.samples > LONGEST_SAMPLES:
            raise InputError(
                f"{path}: is {sound.length_s / 60.0:.0f} minutes long, sweeps without markers are"
                f" sought in {LONGEST_SAMPLES / sound.rate_hz / 60.0:.0f} minutes at most: give the"
                " part that holds them"
            )
    return [read_recording(path, channel=channel) for path in paths]
