"""What a capture that was killed has left is made into files, and entered into the session.

It leaves a recording that was being made (a scratch file, see ``journal``), and whole rungs
that no take lists. The next capture finds both before anything sounds.
"""

from __future__ import annotations

import os
import re
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from distsweep.capture.background_files import enter_left_behind
from distsweep.capture.keeping import SCRATCH_PREFIX, give_name, log, wav_header
from distsweep.capture.record import Record, read_record, take_of_recording
from distsweep.capture.take import (
    RUNG,
    Place,
    chosen_files,
    file_number,
    free_sidecar,
    is_whole,
    kept_calibration,
    take_values,
)
from distsweep.errors import InputError
from distsweep.stimulus.sidecar import Stimulus, StimulusFile, read_sidecar, sidecar_text
from distsweep.takes.session import read_session
from distsweep.takes.session_file import FILE_NAME, add_table
from distsweep.whole_files import write_whole_text

SCRATCH = re.compile(re.escape(SCRATCH_PREFIX) + r"(?:(?P<name>.+)-)?[a-z0-9_]{8}[.]wav")


def recover(folder: Path) -> list[str]:
    """Keep what an earlier capture has left, and tell the session of it.

    Nothing that holds sound is deleted, and no file is replaced. A take that has been in the
    session once is not entered again, so that one taken out by hand stays out.

    Returns
    -------
    What was found, a sentence each.

    Raises
    ------
    InputError
        The session's file or the record cannot be read, or the folder cannot be written.
    """
    sentences = []
    try:
        for scratch in sorted(folder.glob(f"{SCRATCH_PREFIX}*.wav")):
            sentence = _keep_scratch(folder, scratch)
            if sentence is not None:
                sentences.append(sentence)
        record = read_record(folder)
        for name, place in _unlisted(folder, record).items():
            take = _orphan(folder, name, record.spoilt)
            if take is not None:
                sentences.append(_enter(folder, take, place))
        sentences += enter_left_behind(folder)
    except OSError as error:
        raise InputError(
            f"{folder}: what an earlier capture has left cannot be kept ({error.strerror}): make"
            " room, or make the folder writable"
        ) from error
    return sentences


def _keep_scratch(folder: Path, scratch: Path) -> str | None:
    """Give a recording that was cut off its name; None where it holds nothing."""
    named = SCRATCH.fullmatch(scratch.name)
    if named is None:
        return None
    if any(path.exists() and scratch.samefile(path) for path in folder.glob("[!.]*.wav")):
        scratch.unlink()  # killed after it had got its name
        return None
    try:
        frames, rate_hz = soundfile.read(scratch, dtype="float32", always_2d=True)
    except (soundfile.LibsndfileError, RuntimeError):
        if not any(scratch.read_bytes()):
            scratch.unlink()
            return None
        return f"{scratch.name}: cannot be read as a recording, and is left as it is"
    sounding = np.flatnonzero(np.any(frames != 0.0, axis=1))
    if not len(sounding):
        scratch.unlink()
        return None
    count = int(sounding[-1]) + 1
    _trim(scratch, count, frames.shape[1], rate_hz)
    name = named["name"] or "recovered"
    if not _is_whole_rung(folder, name, scratch):
        name = f"{name}-partial"
    path = give_name(scratch, folder, name)
    scratch.unlink(missing_ok=True)
    log(folder, "recovered", file=path.name)
    return f"a recording that was cut off after {count / rate_hz:.1f} s is kept as {path.name}"


def _trim(scratch: Path, frames: int, channels: int, rate_hz: int) -> None:
    """Cut off what had not come in yet when the process was killed."""
    header = wav_header(frames, channels, rate_hz)
    with scratch.open("r+b") as file:
        former = file.read(len(header))
        if former[8:46] == header[8:46]:  # else it is of another layout, and stays as it is
            file.seek(0)
            file.write(header)
            file.truncate(len(header) + frames * channels * 4)
            os.fchmod(file.fileno(), 0o644)


def _is_whole_rung(folder: Path, name: str, recording: Path) -> bool:
    rung = RUNG.fullmatch(name)
    stimulus = None if rung is None else _stimulus(folder / f"{rung['take']}.json")
    if rung is None or stimulus is None:
        return False
    files = [file for file in stimulus.files if file_number(file) == int(rung["number"])]
    return bool(files) and is_whole(stimulus, files[0], recording)


def _stimulus(sidecar: Path) -> Stimulus | None:
    if not sidecar.is_file():
        return None
    try:
        return read_sidecar(sidecar)
    except InputError:
        return None


def _unlisted(folder: Path, record: Record) -> dict[str, Place]:
    """Return where each take was made that was begun, and never was in the session."""
    entered: set[str | None] = set(record.named.values())
    if (folder / FILE_NAME).exists():
        for entry in read_session(folder, takes_required=False).takes:
            for path in entry.recordings:
                entered.add(take_of_recording(path.name))
    return {name: take.place for name, take in record.takes.items() if name not in entered}


@dataclass(frozen=True)
class _Orphan:
    """A take that is in no session.

    ``whole`` is a whole recording a file of the stimulus, by the file's index.
    """

    name: str
    stimulus: Stimulus
    whole: dict[int, Path]


def _orphan(folder: Path, name: str, spoilt: set[str]) -> _Orphan | None:
    """Return what there is of a take that is in no session, if there is anything."""
    stimulus = _stimulus(folder / f"{name}.json")
    if stimulus is None:
        return None
    found = whole_recordings(folder, name, stimulus, stimulus.files, spoilt=spoilt)
    whole = {i: found[file.name] for i, file in enumerate(stimulus.files) if file.name in found}
    if not any(_stands_alone(stimulus.files[index]) for index in whole):
        return None
    return _Orphan(name, stimulus, whole)


def whole_recordings(
    folder: Path,
    name: str,
    stimulus: Stimulus,
    files: Iterable[StimulusFile],
    *,
    spoilt: Collection[str],
) -> dict[str, Path]:
    """Return the last whole recording that a take has of each of some files, by their names."""
    numbered = re.compile(re.escape(name) + r"-(\d{2,})(?:_\d+)?[.]wav")
    names = [path.name for path in folder.glob("*.wav") if path.name not in spoilt]
    whole = {}
    for file in files:
        for path in _of_rung(folder, names, numbered, file):
            if is_whole(stimulus, file, path):
                whole[file.name] = path
                break
    return whole


def _stands_alone(file: StimulusFile) -> bool:
    """Tell whether a file is a take of its own: a tone, or a rung that is no return."""
    return not file.rungs or file.rungs[0].role == "rung"


def _of_rung(
    folder: Path, names: list[str], pattern: re.Pattern[str], file: StimulusFile
) -> list[Path]:
    """Return a rung's recordings, the last one made first: earlier ones were spoilt."""
    numbered = []
    for name in names:
        match = pattern.fullmatch(name)
        if match is not None and int(match[1]) == file_number(file):
            tail = re.search(r"_(\d+)[.]wav$", name[match.end(1) :])
            numbered.append((int(tail[1]) if tail else 1, folder / name))
    return [path for _, path in sorted(numbered, reverse=True)]


def _enter(folder: Path, take: _Orphan, place: Place) -> str:
    """Enter a take into the session as far as it goes; return what is said of it."""
    indices = sorted(take.whole)
    recordings = [take.whole[index] for index in indices]
    partial = len(take.whole) < len(take.stimulus.files)
    sidecar = f"{take.name}.json"
    if partial:
        sidecar = free_sidecar(folder, f"{take.name}-partial")
        text = sidecar_text(chosen_files(take.stimulus, indices))
        write_whole_text(folder / sidecar, text)
    values = take_values(
        place,
        sidecar,
        [path.name for path in recordings],
        calibration=kept_calibration(folder, take.name),
        partial=partial,
    )
    add_table(folder / FILE_NAME, "[[takes]]", values)
    log(folder, "take", take=take.name, recovered=True, **values)
    count, planned = len(take.whole), len(take.stimulus.files)
    how = "a partial take" if partial else "a take"
    parts = "rungs" if take.stimulus.recipe.kind == "ladder" else "tones"
    return (
        f"an earlier capture of {place.position!r} was cut off with {count} of {planned} {parts}"
        f" complete: it is in the session now as {how}, {sidecar}"
    )
