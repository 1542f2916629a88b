"""The files of one take: its stimulus's sidecar, its recordings, its place in the session."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from distsweep.capture.calibration import CalibrationNote, note_text, read_note
from distsweep.capture.drift import LARGEST_DRIFT_PPM
from distsweep.capture.keeping import Reservation, keep, log, reserve
from distsweep.errors import InputError
from distsweep.stimulus.layout import lay_out
from distsweep.stimulus.recipe import LadderRecipe
from distsweep.stimulus.sidecar import LadderStimulus, Stimulus, StimulusFile, sidecar_text
from distsweep.takes.placement import place_stimulus
from distsweep.takes.recording import read_recording
from distsweep.takes.session_calibration import Calibration
from distsweep.takes.session_file import FILE_NAME, add_table, extended_text
from distsweep.units import FloatArray
from distsweep.whole_files import write_whole_text

LATE_S = 0.3
"""A marker that arrives by this much later than it was sent is still heard before the sweep."""

BALLAST_SAMPLES = 65536
"""Room kept free until the take is entered into the session, which a full disk must not prevent
(chosen)."""


def ladder_stimulus(
    recipe: LadderRecipe, drives_dbfs: tuple[float, ...], name: str, *, delay_s: float = 0.0
) -> LadderStimulus:
    """Lay out a ladder at the drives found, one file a rung, with markers as loud as the first.

    Where sound arrives late, by ``delay_s``, the silence before the sweep is longer by as much,
    so that the marker is heard before the sweep begins.
    """
    quiet_s = recipe.quiet_s + (delay_s if delay_s > LATE_S else 0.0)
    recipe = dataclasses.replace(recipe, name=name, levels_dbfs=drives_dbfs, quiet_s=quiet_s)
    stimulus = lay_out(recipe, split=True)
    marker = dataclasses.replace(stimulus.marker, level_dbfs=drives_dbfs[0])
    return dataclasses.replace(stimulus, marker=marker)


class TakeFiles:
    """Keeps the recordings of one take and tells the session of them."""

    def __init__(
        self,
        folder: Path,
        name: str,
        *,
        position: str,
        rate_hz: int,
        calibration: Calibration | None = None,
    ) -> None:
        """Begin a take; nothing is written yet.

        ``calibration`` is what the take is made with, and is kept with it.

        ``complete`` lists what was kept and judged, ``partial`` what was kept last and was
        not, be it cut short or only interrupted before the verdict.
        """
        self.folder = folder
        self.name = name
        self.complete: list[Path] = []
        self.partial: Path | None = None
        self._position = position
        self._rate_hz = rate_hz
        self._calibration = calibration
        self._stimulus: Stimulus | None = None
        self._ballast: Reservation | None = None

    def check(self) -> None:
        """Make sure, before anything sounds, that the session can be told of this take.

        Raises
        ------
        InputError
            The session's file is damaged, or the position cannot stand in it.
        """
        values = take_values(
            self._position, f"{self.name}.json", [f"{self.name}-01.wav"], calibration=None
        )
        extended_text(self.folder / FILE_NAME, "[[takes]]", values)

    def begin(self, stimulus: Stimulus) -> None:
        """Write sidecar and calibration, before anything is recorded that they explain."""
        text = calibration_text(self.folder, self._calibration)
        if text is not None:
            write_whole_text(self.folder / calibration_name(self.name), text)
        self.amend(stimulus)
        self._ballast = self.reserve("ballast", frames=BALLAST_SAMPLES, channels=1)

    def amend(self, stimulus: Stimulus) -> None:
        """Write the sidecar anew: what is yet to be played has been laid out otherwise."""
        write_whole_text(self.folder / f"{self.name}.json", sidecar_text(stimulus))
        self._stimulus = stimulus

    def reserve(self, name: str, *, frames: int, channels: int) -> Reservation:
        """Take room for the next recording."""
        return reserve(
            self.folder, name=name, frames=frames, channels=channels, rate_hz=self._rate_hz
        )

    def keep(
        self, reservation: Reservation, recorded: FloatArray, name: str, **details: Any
    ) -> Path:
        """Keep a recording and note it in the record."""
        path = keep(reservation, self.folder, name, recorded, self._rate_hz)
        log(self.folder, "recorded", file=path.name, **details)
        return path

    def finish(self) -> Path | None:
        """Add the complete take to the session, or as much as there is of it.

        Returns
        -------
        The take's sidecar; None where there is nothing that could be analysed.
        """
        stimulus = self._stimulus
        if self._ballast is not None:
            self._ballast.drop()
        if stimulus is None:
            return None
        whole = len(self.complete) == len(stimulus.files)
        recordings = list(self.complete)
        name = f"{self.name}.json"
        if not whole:
            # Interrupted after its end, before the verdict.
            next_file = stimulus.files[len(recordings)]
            if self.partial is not None and is_whole(stimulus, next_file, self.partial):
                recordings.append(self.partial)
            if not recordings:
                return None
            name = f"{self.name}-partial.json"
            text = sidecar_text(chosen_files(stimulus, range(len(recordings))))
            write_whole_text(self.folder / name, text)
        values = take_values(
            self._position,
            name,
            [path.name for path in recordings],
            calibration=kept_calibration(self.folder, self.name),
            partial=not whole,
        )
        add_table(self.folder / FILE_NAME, "[[takes]]", values)
        log(self.folder, "take", take=self.name, **values)
        return self.folder / name


def is_whole(stimulus: Stimulus, file: StimulusFile, recording: Path) -> bool:
    """Tell whether a recording holds both markers of its file, and nothing was lost between.

    How long it is tells nothing: what was stopped is recorded on for a while.
    """
    try:
        read = read_recording(recording)
        placement = place_stimulus(read, marker=stimulus.marker, file=file)
    except InputError:
        return False
    drift_ppm = placement.clock_drift_ppm
    return drift_ppm is not None and abs(drift_ppm) <= LARGEST_DRIFT_PPM


def take_values(
    position: str,
    stimulus: str,
    recordings: list[str],
    *,
    calibration: str | None,
    partial: bool = False,
) -> dict[str, Any]:
    """Return what a take's table in ``session.toml`` holds; the names are files' beside it."""
    return {
        "position": position,
        "stimulus": stimulus,
        "recording": recordings,
        "channel": 1,
        "calibration": calibration,
        "partial": True if partial else None,
    }


def calibration_name(name: str) -> str:
    """Return what the calibration of a take is called."""
    return f"{name}-calibration.json"


def kept_calibration(folder: Path, name: str) -> str | None:
    """Return the name of the calibration that was kept with a take, if one was."""
    kept = calibration_name(name)
    return kept if (folder / kept).is_file() else None


def calibration_text(folder: Path, used: Calibration | None) -> str | None:
    """Return what is kept of a calibration: a copy of its file, or what session.toml says.

    None while uncalibrated: such a take follows the session, which may be calibrated later
    at the same gain.
    """
    if used is None or used.pascal_per_fs is None:
        return None
    note = None if used.source is None else read_note(folder / used.source)
    if note is None or note.pascal_per_fs != used.pascal_per_fs:
        note = CalibrationNote(used.pascal_per_fs, method="session.toml", date="")
    return note_text(note)


def chosen_files(stimulus: Stimulus, indices: Iterable[int]) -> Stimulus:
    """Return a split stimulus of only some files, counted from 0.

    A ladder's recipe is cut to their levels; a staircase's still tells what was asked for.
    """
    files = tuple(stimulus.files[index] for index in indices)
    if not isinstance(stimulus, LadderStimulus):
        return dataclasses.replace(stimulus, files=files)
    levels = tuple(file.rungs[0].drive_dbfs for file in files if file.rungs[0].role == "rung")
    recipe = dataclasses.replace(
        stimulus.recipe,
        levels_dbfs=levels,
        return_rung=any(file.rungs[0].role == "return" for file in files),
    )
    return dataclasses.replace(stimulus, recipe=recipe, files=files)
