"""What a capture that was killed has left is made into files, and entered into the session.

It leaves a recording that was being made (a scratch file, see ``journal``), and whole rungs
that no take lists. The next capture finds both before anything sounds.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from distsweep.capture.keeping import SCRATCH_PREFIX, give_name, log, read_log, wav_header
from distsweep.capture.take import chosen_files, is_whole, kept_calibration, take_values
from distsweep.errors import InputError
from distsweep.stimulus.sidecar import Stimulus, StimulusFile, read_sidecar, sidecar_text
from distsweep.takes.session import read_session
from distsweep.takes.session_file import FILE_NAME, add_table
from distsweep.whole_files import write_whole_text

SCRATCH = re.compile(re.escape(SCRATCH_PREFIX) + r"(?:(?P<name>.+)-)?[a-z0-9_]{8}[.]wav")

RUNG = re.compile(r"(?P<take>.+)-(?P<number>\d{2,})")
"""What a rung's recording is called: its take's name, and its number from 1."""


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
        record = _read_record(folder)
        for name, position in record.unlisted.items():
            take = _orphan(folder, name, record.spoilt)
            if take is not None:
                sentences.append(_enter(folder, take, position))
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
    files = [file for file in stimulus.files if _number(file) == int(rung["number"])]
    return bool(files) and is_whole(stimulus, files[0], recording)


def _number(file: StimulusFile) -> int:
    """Return a file's number from 1; a tone that was left out of a staircase leaves a gap."""
    named = RUNG.fullmatch(file.name)
    return 0 if named is None else int(named["number"])


def _stimulus(sidecar: Path) -> Stimulus | None:
    if not sidecar.is_file():
        return None
    try:
        return read_sidecar(sidecar)
    except InputError:
        return None


@dataclass(frozen=True)
class _Record:
    """What the record says of takes.

    ``unlisted`` maps the name of each take that was begun, and never was in the session, to its
    position; ``spoilt`` are recordings that were repeated.
    """

    unlisted: dict[str, str]
    spoilt: set[str]


def _read_record(folder: Path) -> _Record:
    begun: dict[str, str] = {}
    spoilt: set[str] = set()
    entered: set[str] = set()
    recorded = ""
    for event in read_log(folder):
        kind, take = event.get("event"), event.get("take")
        if kind == "started" and isinstance(take, str):
            position = event.get("position")
            begun[take] = position if isinstance(position, str) and position.strip() else take
            entered.discard(take)  # a name that was free again
        elif kind == "recorded":
            recorded = str(event.get("file"))
            spoilt.discard(recorded)
        elif kind == "repeated":
            spoilt.add(recorded)
        elif kind == "take":
            stimulus = str(event.get("stimulus"))
            name = re.sub(r"(-partial(_\d+)?)?[.]json$", "", stimulus)  # of older records
            entered.add(take if isinstance(take, str) else name)
    if (folder / FILE_NAME).exists():
        for entry in read_session(folder, takes_required=False).takes:
            for path in entry.recordings:
                entered.add(re.sub(r"-\d{2,}(-partial)?(_\d+)?[.]wav$", "", path.name))
    return _Record({k: v for k, v in begun.items() if k not in entered}, spoilt)


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
    numbered = re.compile(re.escape(name) + r"-(\d{2,})(?:_\d+)?[.]wav")
    names = [path.name for path in folder.glob("*.wav") if path.name not in spoilt]
    stimulus = _stimulus(folder / f"{name}.json")
    if stimulus is None:
        return None
    whole = {}
    for index, file in enumerate(stimulus.files):
        for path in _of_rung(folder, names, numbered, file):
            if is_whole(stimulus, file, path):
                whole[index] = path
                break
    if not any(_stands_alone(stimulus.files[index]) for index in whole):
        return None
    return _Orphan(name, stimulus, whole)


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
        if match is not None and int(match[1]) == _number(file):
            tail = re.search(r"_(\d+)[.]wav$", name[match.end(1) :])
            numbered.append((int(tail[1]) if tail else 1, folder / name))
    return [path for _, path in sorted(numbered, reverse=True)]


def _enter(folder: Path, take: _Orphan, position: str) -> str:
    """Enter a take into the session as far as it goes; return what is said of it."""
    indices = sorted(take.whole)
    recordings = [take.whole[index] for index in indices]
    partial = len(take.whole) < len(take.stimulus.files)
    sidecar = f"{take.name}.json"
    if partial:
        sidecar = _free(folder, f"{take.name}-partial")
        text = sidecar_text(chosen_files(take.stimulus, indices))
        write_whole_text(folder / sidecar, text)
    values = take_values(
        position,
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
        f"an earlier capture of {position!r} was cut off with {count} of {planned} {parts}"
        f" complete: it is in the session now as {how}, {sidecar}"
    )


def _free(folder: Path, name: str) -> str:
    """Return the name of a sidecar that is not there yet."""
    number = 1
    while (folder / f"{name}{'' if number == 1 else f'_{number}'}.json").exists():
        number += 1
    return f"{name}{'' if number == 1 else f'_{number}'}.json"
