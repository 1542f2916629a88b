"""The files of one take: its stimulus's sidecar, its recordings, its place in the session."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from distsweep.capture.calibration import CalibrationNote, note_text, now_text, read_note
from distsweep.capture.drift import LARGEST_DRIFT_PPM
from distsweep.capture.keeping import Reservation, keep, log, reserve
from distsweep.errors import InputError
from distsweep.stimulus.layout import lay_out
from distsweep.stimulus.recipe import LadderRecipe
from distsweep.stimulus.sidecar import LadderStimulus, Stimulus, StimulusFile, sidecar_text
from distsweep.takes.placement import place_stimulus
from distsweep.takes.recording import read_recording
from distsweep.takes.session_calibration import Calibration
from distsweep.takes.session_edit import retire_takes, rewrite_take, rewritten_text
from distsweep.takes.session_file import FILE_NAME, add_table, extended_text
from distsweep.units import FloatArray
from distsweep.whole_files import write_whole_text

LATE_S = 0.3
"""A marker that arrives by this much later than it was sent is still heard before the sweep."""

BALLAST_SAMPLES = 65536
"""Room kept free until the take is entered into the session, which a full disk must not prevent
(chosen)."""

RUNG = re.compile(r"(?P<take>.+)-(?P<number>\d{2,})")
"""What a rung's recording is called: its take's name, and its number from 1."""

RECORDING = re.compile(r"(?P<take>.+)-\d{2,}(-partial)?(_\d+)?[.]wav")
"""The same of its file: cut short, and made again, too."""


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


@dataclass(frozen=True)
class Place:
    """Where a take is made, as ``session.toml`` notes it beside the position.

    Attributes
    ----------
    position : its name.
    placement : how often the microphone has been put there, this time included; None where it is
        put there once.
    loopback_channel : column of the recordings that holds the output itself, counted from 1.
    distance_m : the microphone's, where the position has one of its own.
    planned : the stimulus as the session's plan names it; None outside a plan.
    """

    position: str
    placement: int | None = None
    loopback_channel: int | None = None
    distance_m: float | None = None
    planned: str | None = None

    def values(self) -> dict[str, Any]:
        """Return what a take's table holds of it beside the position."""
        return {
            "loopback_channel": self.loopback_channel,
            "placement": self.placement,
            "distance_m": self.distance_m,
        }


@dataclass(frozen=True)
class Begun:
    """A take that was begun before, and is gone on with.

    Attributes
    ----------
    stimulus : as it was laid out when the take was begun.
    sidecar : name of the one that its table in ``session.toml`` holds now.
    present : its whole recordings, by the name of the stimulus's file.
    wanted : names of the files that are to be played, be they there or not.
    partial : some files are missing.
    adopted : some of ``present`` are not in the session's list yet.
    probe_gain_db : of its last probe, from 0 dBFS played to dBFS at the input; None where that
        was not noted.
    rung_gains_db : of its rungs, level less drive, by the name of the stimulus's file.
    """

    stimulus: Stimulus
    sidecar: str
    present: Mapping[str, Path]
    wanted: tuple[str, ...]
    partial: bool = True
    adopted: bool = False
    probe_gain_db: float | None = None
    rung_gains_db: Mapping[str, float] = field(default_factory=dict)


class TakeFiles:
    """Keeps the recordings of one take and tells the session of them."""

    def __init__(
        self,
        folder: Path,
        name: str,
        *,
        place: Place,
        rate_hz: int,
        calibration: Calibration | None = None,
        begun: Begun | None = None,
        replaces: Collection[str] = (),
    ) -> None:
        """Begin a take, or go on with one; nothing is written yet.

        ``calibration`` is what the take is made with, and is kept with it. ``replaces`` are
        sidecars of takes that leave the session's list when this one is whole.

        ``complete`` holds what was kept and judged, by the name of the stimulus's file;
        ``partial`` is what was kept last and was not, be it cut short or only interrupted before
        the verdict; ``awaited`` the file it is of, None where it is part of no take.
        """
        self.folder = folder
        self.name = name
        self.complete: dict[str, Path] = {} if begun is None else dict(begun.present)
        self.partial: Path | None = None
        self.awaited: StimulusFile | None = None
        self.begun = begun
        # A partial take's table holds another sidecar, of what there was of it.
        self._sidecar = f"{name}.json" if begun is None or begun.partial else begun.sidecar
        self._place = place
        self._rate_hz = rate_hz
        self._calibration = calibration
        self.replaces = tuple(replaces)
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
            self._place, f"{self.name}.json", [f"{self.name}-01.wav"], calibration=None
        )
        if self.begun is None:
            extended_text(self.folder / FILE_NAME, "[[takes]]", values)
        else:
            rewritten_text(self.folder / FILE_NAME, self.begun.sidecar, values)

    def begin(self, stimulus: Stimulus) -> None:
        """Write sidecar and calibration, before anything is recorded that they explain.

        Those of a take that was begun before are there. Where it was whole, and is laid out
        otherwise now, its former sidecar stays as it is.
        """
        if self.begun is None:
            text = calibration_text(self.folder, self._calibration)
            if text is not None:
                write_whole_text(self.folder / calibration_name(self.name), text)
        elif stimulus != self.begun.stimulus and not self.begun.partial:
            self._sidecar = free_sidecar(self.folder, f"{self.name}-again")
        if self.begun is None or stimulus != self.begun.stimulus:
            self.amend(stimulus)
        self._stimulus = stimulus
        self._ballast = self.reserve("ballast", frames=BALLAST_SAMPLES, channels=1)

    def amend(self, stimulus: Stimulus) -> None:
        """Write the sidecar anew: what is yet to be played has been laid out otherwise."""
        write_whole_text(self.folder / self._sidecar, sidecar_text(stimulus))
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

        Of a take that was begun before, the table is written anew in its place.

        Returns
        -------
        The take's sidecar; None where there is nothing new that could be analysed.
        """
        stimulus = self._stimulus
        if self._ballast is not None:
            self._ballast.drop()
        if stimulus is None:
            return None
        self._keep_awaited(stimulus)
        indices = [i for i, file in enumerate(stimulus.files) if file.name in self.complete]
        whole = len(indices) == len(stimulus.files)
        recordings = [self.complete[stimulus.files[index].name].name for index in indices]
        if not recordings or self._is_as_it_was():
            return None
        name = self._sidecar
        if not whole:
            name = free_sidecar(self.folder, f"{self.name}-partial")
            text = sidecar_text(chosen_files(stimulus, indices))
            write_whole_text(self.folder / name, text)
        values = take_values(
            self._place,
            name,
            recordings,
            calibration=kept_calibration(self.folder, self.name),
            partial=not whole,
        )
        if self.begun is None:
            add_table(self.folder / FILE_NAME, "[[takes]]", values)
        else:
            rewrite_take(self.folder / FILE_NAME, self.begun.sidecar, values)
        log(self.folder, "take", take=self.name, **values)
        if whole and self.replaces:
            retire(self.folder, self.replaces, by=name)
        return self.folder / name

    def _is_as_it_was(self) -> bool:
        begun = self.begun
        return begun is not None and not begun.adopted and self.complete == dict(begun.present)

    def _keep_awaited(self, stimulus: Stimulus) -> None:
        """Take in a recording that was interrupted after its end, before the verdict."""
        if self.partial is None or self.awaited is None or self.awaited.name in self.complete:
            return
        if is_whole(stimulus, self.awaited, self.partial):
            self.complete[self.awaited.name] = self.partial


def retire(folder: Path, sidecars: Collection[str], *, by: str) -> None:
    """Take out of the session's list what another take, by its sidecar's name, has replaced."""
    why = f"Recorded again as {by}, {now_text()}:"
    retire_takes(folder / FILE_NAME, sidecars, why)
    log(folder, "retired", takes=sidecars, by=by)


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
    place: Place,
    stimulus: str,
    recordings: list[str],
    *,
    calibration: str | None,
    partial: bool = False,
) -> dict[str, Any]:
    """Return what a take's table in ``session.toml`` holds; the names are files' beside it."""
    return {
        "position": place.position,
        "stimulus": stimulus,
        "recording": recordings,
        "channel": 1,
        **place.values(),
        "calibration": calibration,
        "partial": True if partial else None,
    }


def file_number(file: StimulusFile) -> int:
    """Return a file's number from 1; a tone that was left out of a staircase leaves a gap."""
    named = RUNG.fullmatch(file.name)
    return 0 if named is None else int(named["number"])


def free_sidecar(folder: Path, name: str) -> str:
    """Return the name of a sidecar that is not there yet."""
    number = 1
    while (folder / f"{name}{'' if number == 1 else f'_{number}'}.json").exists():
        number += 1
    return f"{name}{'' if number == 1 else f'_{number}'}.json"


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
