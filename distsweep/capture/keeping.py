"""Keeping what was recorded: never over another file, and somewhere even on a full disk."""

from __future__ import annotations

import errno
import json
import math
import os
import re
import struct
import tempfile
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from distsweep.capture.calibration import now_text
from distsweep.errors import InputError
from distsweep.units import FloatArray

LOG_NAME = "capture-log.jsonl"

LOG_REMEDY = (
    "it is the record of the noise dose; correct it, or move it away and count what it held by hand"
)

HIGHEST_NOTED_DBA = 250.0
"""A record that holds a higher level is damaged (chosen: nothing in air is as loud)."""

BYTES_A_SAMPLE = 4
"""Recordings are kept as 32-bit float, which holds every value of a 24-bit converter."""

HEADER = struct.Struct("<4sI4s4sIHHIIHHH4sII4sI")
"""What precedes the samples of a WAV file: RIFF, "fmt " (18 bytes, IEEE float), "fact", "data"."""

SCRATCH_PREFIX = ".recording-"
"""Start of the name of a recording that is being made; its own name and eight random characters
follow."""

LONGEST_NAME_BYTES = 100
"""Longest name of a take (chosen: file systems allow 255 bytes, and endings are added)."""

NO_ROOM = (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC), errno.EFBIG)


def free_take_name(folder: Path, position: str) -> str:
    """Return a name for a take that no file in the folder has been kept under yet."""
    base = re.sub(r"[^\w.-]+", "-", position)
    base = base.encode("utf-8", "ignore")[:LONGEST_NAME_BYTES].decode("utf-8", "ignore")
    base = base.strip("-.") or "take"
    if base.startswith("calibration"):  # calibration.json is the session's
        base = f"take-{base}"
    taken = {path.name for path in folder.glob("*")} if folder.is_dir() else set()
    number = 1
    while True:
        name = base if number == 1 else f"{base}_{number}"
        ours = re.compile(
            re.escape(name) + r"(-\d\d.*[.]wav|(-partial(_\d+)?|-calibration)?[.]json)"
        )
        if not any(ours.fullmatch(item) for item in taken):
            return name
        number += 1


@dataclass
class Reservation:
    """Room on the disk for a recording, shape ``(frames, channels)``, that is being made.

    The file is a sound file from the start; what has not come in yet is silence.
    """

    path: Path
    handle: int
    channels: int
    written: int = 0

    def add(self, recorded: NDArray[np.floating[Any]]) -> None:
        """Write the frames that follow those that were written before.

        Raises
        ------
        OSError
            They could not be written.
        """
        place = HEADER.size + self.written * self.channels * BYTES_A_SAMPLE
        _write_at(self.handle, recorded.astype("<f4").tobytes(), place)
        self.written += len(recorded)

    def drop(self) -> None:
        """Give the room back; what was kept or left already stays."""
        if self.handle >= 0:
            self._close()
            self.path.unlink(missing_ok=True)

    def leave(self) -> bool:
        """Leave what has been written for the next capture to find; tell whether there is any."""
        if self.handle < 0 or not self.written:
            self.drop()
            return False
        self._close()
        return True

    def _close(self) -> None:
        with suppress(OSError):
            os.close(self.handle)
        self.handle = -1


def reserve(folder: Path, *, name: str, frames: int, channels: int, rate_hz: int) -> Reservation:
    """Take room for a recording before anything sounds.

    Parameters
    ----------
    name : of the recording; by it the next capture knows what a killed process has left.

    Raises
    ------
    InputError
        The folder cannot be written, or the disk is full.
    """
    size = frames * channels * BYTES_A_SAMPLE + HEADER.size
    path: Path | None = None
    try:
        handle, made = tempfile.mkstemp(
            prefix=f"{SCRATCH_PREFIX}{name}-", suffix=".wav", dir=folder
        )
        path = Path(made)
        if hasattr(os, "posix_fallocate"):
            os.posix_fallocate(handle, 0, size)
        else:  # macOS has none
            _write_at(handle, bytes(size), 0)
        _write_at(handle, wav_header(frames, channels, rate_hz), 0)
    except OSError as error:
        if path is not None:
            path.unlink(missing_ok=True)
            os.close(handle)
        if error.errno in NO_ROOM:
            raise InputError(
                f"{folder}: there is no room for the next recording ({size / 1e6:.1f} MB:"
                f" {error.strerror}): free some, or choose another place"
            ) from error
        raise InputError(
            f"{folder}: cannot be written ({error.strerror}): make it writable, or choose another"
            " place"
        ) from error
    return Reservation(path, handle, channels)


def wav_header(frames: int, channels: int, rate_hz: int) -> bytes:
    """Return what stands before the samples of a WAV file of 32-bit floats."""
    size = min(frames * channels * BYTES_A_SAMPLE, 2**32 - HEADER.size)
    frame = channels * BYTES_A_SAMPLE
    riff = (b"RIFF", HEADER.size - 8 + size, b"WAVE")
    form = (b"fmt ", 18, 3, channels, rate_hz, rate_hz * frame, frame, 8 * BYTES_A_SAMPLE, 0)
    return HEADER.pack(*riff, *form, b"fact", 4, frames, b"data", size)


def keep(
    reservation: Reservation | None, folder: Path, name: str, recorded: FloatArray, rate_hz: int
) -> Path:
    """Write a recording, ``(frames, channels)``, into its reserved place and name it.

    An existing file is never touched: a number is added to the name instead.

    Raises
    ------
    InputError
        It could not be written there; the message says where it was kept instead.
    """
    content = _wav(recorded, rate_hz)
    try:
        if reservation is None:
            frames, channels = recorded.shape
            reservation = reserve(
                folder, name=name, frames=frames, channels=channels, rate_hz=rate_hz
            )
        _fill(reservation, content)
        return give_name(reservation.path, folder, name)
    except (OSError, InputError) as error:
        kept = _keep_elsewhere(name, content)
        reason = getattr(error, "strerror", None) or error
        text = f"{folder / name}.wav: cannot be written ({reason})"
        if kept is not None:
            text += f"; the recording is kept as {kept}: make room and move it"
        elif reservation is not None and reservation.leave():
            text += f", nor anywhere else; what there is of it is left as {reservation.path}"
        else:
            text += ", nor anywhere else"
        raise InputError(text) from error
    finally:
        if reservation is not None:
            reservation.drop()


def log(folder: Path, event: str, **details: Any) -> None:
    """Add a line to the session's record of what was played and confirmed.

    A record that cannot be written must not keep a recording from being kept: it is left out.
    """
    line = json.dumps(
        {"time": now_text(), "event": event, **details}, ensure_ascii=False, default=_plain
    )
    content = line.encode("utf-8", "backslashreplace") + b"\n"
    with suppress(OSError), (folder / LOG_NAME).open("a+b") as file:
        _mend_end(file)
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def read_log(folder: Path) -> list[dict[str, Any]]:
    """Return the record's events.

    A last line that was cut off, as by a process that was killed, is left out.

    Raises
    ------
    InputError
        The record cannot be read, is not UTF-8, or holds something else than events: then the
        noise dose is not known either.
    """
    path = folder / LOG_NAME
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        return []
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}): {LOG_REMEDY}") from error
    events = []
    lines = content.split(b"\n")
    for number, line in enumerate(lines, start=1):
        event = _event(line) if line.strip() else {}
        if event is None:
            if number == len(lines):
                break
            raise InputError(f"{path}: line {number} is no event: {LOG_REMEDY}")
        if event:
            events.append(event)
    return events


def listener_dba_minutes(folder: Path) -> list[tuple[float, float]]:
    """Return what the record says was played at the listener's place: dBA and minutes.

    Raises
    ------
    InputError
        As ``read_log``, or a level or duration is not a number.
    """
    exposures: list[tuple[float, float]] = []
    for event in read_log(folder):
        pairs = event.get("listener_dba_minutes", [])
        for pair in pairs if isinstance(pairs, list) else [pairs]:
            valid = isinstance(pair, list) and len(pair) == 2 and all(map(_is_number, pair))
            if not valid or abs(pair[0]) > HIGHEST_NOTED_DBA or not pair[1] >= 0.0:
                raise InputError(
                    f"{folder / LOG_NAME}: listener_dba_minutes holds {str(pair)[:60]}, no level"
                    f" in dBA with its minutes: {LOG_REMEDY}"
                )
            exposures.append((float(pair[0]), float(pair[1])))
    return exposures


def _event(line: bytes) -> dict[str, Any] | None:
    try:
        event = json.loads(line.decode("utf-8-sig"))
    except (ValueError, RecursionError):
        return None
    return event if isinstance(event, dict) else None


def _is_number(value: Any) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:  # an integer beyond what a float holds
        return False


def _mend_end(file: BinaryIO) -> None:
    """Take away the part of a line that a killed process has left at the end of the record."""
    file.seek(0)
    content = file.read()
    last = content.rpartition(b"\n")[2]
    if last and _event(last) is None:
        file.truncate(len(content) - len(last))
    elif last:  # whole, as an editor leaves it
        file.write(b"\n")


def _wav(recorded: FloatArray, rate_hz: int) -> bytes:
    frames, channels = recorded.shape
    return wav_header(frames, channels, rate_hz) + recorded.astype("<f4").tobytes()


def _fill(reservation: Reservation, content: bytes) -> None:
    """Write all of a file; what stands there already is written again as it is."""
    _write_at(reservation.handle, content, 0)
    os.ftruncate(reservation.handle, len(content))
    os.fsync(reservation.handle)
    os.fchmod(reservation.handle, 0o644)


def _write_at(handle: int, content: bytes, place: int) -> None:
    written = 0
    while written < len(content):
        written += os.pwrite(handle, content[written:], place + written)


def give_name(scratch: Path, folder: Path, name: str) -> Path:
    """Give a file its name without ever replacing another."""
    number = 1
    while True:
        path = folder / (f"{name}.wav" if number == 1 else f"{name}_{number}.wav")
        try:
            os.link(scratch, path)
        except FileExistsError:
            number += 1
            continue
        except OSError:  # a file system without links: the gap between look and move is small
            if path.exists():
                number += 1
                continue
            scratch.rename(path)
        return path


def _keep_elsewhere(name: str, content: bytes) -> Path | None:
    """Keep a recording in another folder that can be written; None where there is none."""
    for place in (tempfile.gettempdir(), str(Path.home()), "."):
        with suppress(OSError):
            handle, path = tempfile.mkstemp(prefix=f"{name}-rescued-", suffix=".wav", dir=place)
            try:
                with os.fdopen(handle, "wb") as file:
                    file.write(content)
                return Path(path)
            except OSError:
                Path(path).unlink(missing_ok=True)
    return None


def _plain(value: Any) -> Any:
    return value.item() if isinstance(value, np.generic) else str(value)
