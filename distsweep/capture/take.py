"""The files of one take: its stimulus's sidecar, its recordings, its place in the session."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

from distsweep.capture.keeping import Reservation, keep, log, reserve
from distsweep.errors import InputError
from distsweep.stimulus.layout import lay_out
from distsweep.stimulus.recipe import LadderRecipe
from distsweep.stimulus.sidecar import LadderStimulus, Stimulus, sidecar_text
from distsweep.takes.cutting import cut_take
from distsweep.takes.cutting_staircase import cut_staircase, place_staircase
from distsweep.takes.recording import read_recording
from distsweep.takes.session_file import FILE_NAME, add_table
from distsweep.units import FloatArray
from distsweep.whole_files import write_whole_text

HIGHEST_MARKER_ABOVE_FIRST_DB = 0.0
"""The markers of a capture are as loud as its first rung: nothing startles."""

BALLAST_SAMPLES = 65536
"""Room kept free until the session is told of the take: a full disk must not prevent that."""


def ladder_stimulus(
    recipe: LadderRecipe, drives_dbfs: tuple[float, ...], name: str
) -> LadderStimulus:
    """Lay out a ladder at the drives found, one file a rung, with quiet markers."""
    recipe = dataclasses.replace(recipe, name=name, levels_dbfs=drives_dbfs)
    stimulus = lay_out(recipe, split=True)
    marker_dbfs = drives_dbfs[0] + HIGHEST_MARKER_ABOVE_FIRST_DB
    marker = dataclasses.replace(stimulus.marker, level_dbfs=marker_dbfs)
    return dataclasses.replace(stimulus, marker=marker)


class TakeFiles:
    """Keeps the recordings of one take and tells the session of them."""

    def __init__(self, folder: Path, name: str, *, position: str, rate_hz: int) -> None:
        """Begin a take; nothing is written yet.

        ``complete`` lists what was kept and judged, ``partial`` what was kept last and was
        not, be it cut short or only interrupted before the verdict.
        """
        self.folder = folder
        self.name = name
        self.complete: list[Path] = []
        self.partial: Path | None = None
        self._position = position
        self._rate_hz = rate_hz
        self._stimulus: Stimulus | None = None
        self._ballast: Reservation | None = None

    def begin(self, stimulus: Stimulus) -> None:
        """Write the sidecar, before anything is recorded that it explains."""
        self.amend(stimulus)
        self._ballast = reserve(self.folder, samples=BALLAST_SAMPLES, channels=1)

    def amend(self, stimulus: Stimulus) -> None:
        """Write the sidecar anew: what is yet to be played has been laid out otherwise."""
        write_whole_text(self.folder / f"{self.name}.json", sidecar_text(stimulus))
        self._stimulus = stimulus

    def cut_short(self, stimulus: Stimulus) -> None:
        """Take note of what counts of a recording that was stopped, for the session's entry."""
        self._stimulus = stimulus

    def reserve(self, *, samples: int, channels: int) -> Reservation:
        """Take room for the next recording."""
        return reserve(self.folder, samples=samples, channels=channels)

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
            if self.partial is not None and self._fits(stimulus, [*recordings, self.partial]):
                recordings.append(self.partial)
            if not recordings:
                return None
            name = f"{self.name}-partial.json"
            text = sidecar_text(first_files(stimulus, len(recordings)))
            write_whole_text(self.folder / name, text)
        values: dict[str, Any] = {
            "position": self._position,
            "stimulus": name,
            "recording": [path.name for path in recordings],
            "channel": 1,
            "partial": None if whole else True,
        }
        add_table(self.folder / FILE_NAME, "[[takes]]", values)
        log(self.folder, "take", **values)
        return self.folder / name

    def _fits(self, stimulus: Stimulus, recordings: list[Path]) -> bool:
        """Tell whether the analysis can make something of an unfinished last recording."""
        started = first_files(stimulus, len(recordings))
        read = [read_recording(path) for path in recordings]
        try:
            if isinstance(started, LadderStimulus):
                cut_take(started, read)
            else:
                cut_staircase(started, read, place_staircase(started, read))
        except InputError:
            return False
        return True


def first_files(stimulus: Stimulus, count: int) -> Stimulus:
    """Return a split stimulus of only its first files.

    A ladder's recipe is cut to their levels; a staircase's still tells what was asked for.
    """
    files = stimulus.files[:count]
    if not isinstance(stimulus, LadderStimulus):
        return dataclasses.replace(stimulus, files=files)
    levels = tuple(file.rungs[0].drive_dbfs for file in files if file.rungs[0].role == "rung")
    recipe = dataclasses.replace(
        stimulus.recipe,
        levels_dbfs=levels,
        return_rung=any(file.rungs[0].role == "return" for file in files),
    )
    return dataclasses.replace(stimulus, recipe=recipe, files=files)
