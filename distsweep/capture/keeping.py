"""Keeping what was recorded: never over another file, and somewhere even on a full disk."""

from __future__ import annotations

import io
import json
import os
import re
import tempfile
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from distsweep.capture.calibration import now_text
from distsweep.errors import InputError
from distsweep.units import FloatArray

LOG_NAME = "capture-log.jsonl"

BYTES_A_SAMPLE = 4
"""Recordings are kept as 32-bit float: all that a 24-bit converter gives, and then some."""

HEADER_BYTES = 4096


def free_take_name(folder: Path, position: str) -> str:
    """Return a name for a take that no file in the folder has been kept under yet."""
    base = re.sub(r"[^\w.-]+", "-", position).strip("-.") or "take"
    taken = {path.name for path in folder.glob("*")} if folder.is_dir() else set()
    number = 1
    while True:
        name = base if number == 1 else f"{base}_{number}"
        ours = re.compile(re.escape(name) + r"(-\d\d.*[.]wav|(-partial)?[.]json)")
        if not any(ours.fullmatch(item) for item in taken):
            return name
        number += 1


@dataclass
class Reservation:
    """Room on the disk for a recording that is about to be made."""

    path: Path
    handle: int

    def drop(self) -> None:
        """Give the room back; a second time does nothing."""
        if self.handle >= 0:
            with suppress(OSError):
                os.close(self.handle)
            self.handle = -1
        self.path.unlink(missing_ok=True)


def reserve(folder: Path, *, samples: int, channels: int) -> Reservation:
    """Take room for a recording before anything sounds.

    Raises
    ------
    InputError
        The folder cannot be written, or the disk is full.
    """
    size = samples * channels * BYTES_A_SAMPLE + HEADER_BYTES
    path: Path | None = None
    try:
        handle, name = tempfile.mkstemp(prefix=".recording-", suffix=".wav", dir=folder)
        path = Path(name)
        os.posix_fallocate(handle, 0, size)
    except OSError as error:
        if path is not None:
            path.unlink(missing_ok=True)
            os.close(handle)
        raise InputError(
            f"{folder}: there is no room for the next recording ({size / 1e6:.1f} MB:"
            f" {error.strerror}): free some, or choose another place"
        ) from error
    return Reservation(path, handle)


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
            reservation = reserve(folder, samples=len(recorded), channels=recorded.shape[1])
        _fill(reservation, content)
        return _named(reservation.path, folder, name)
    except (OSError, InputError) as error:
        kept = _elsewhere(name, content)
        reason = getattr(error, "strerror", None) or error
        raise InputError(
            f"{folder / name}.wav: cannot be written ({reason}); the recording is kept as"
            f" {kept}: make room and move it"
            if kept
            else f"{folder / name}.wav: cannot be written ({reason}), nor anywhere else"
        ) from error
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
    with suppress(OSError), (folder / LOG_NAME).open("a", encoding="utf-8") as file:
        file.write(line + "\n")
        file.flush()
        os.fsync(file.fileno())


def read_log(folder: Path) -> list[dict[str, Any]]:
    """Return the record's events; damaged lines are left out."""
    events = []
    try:
        lines = (folder / LOG_NAME).read_text(encoding="utf-8").splitlines()
    except OSError:
        return []
    for line in lines:
        with suppress(ValueError):
            event = json.loads(line)
            if isinstance(event, dict):
                events.append(event)
    return events


def _wav(recorded: FloatArray, rate_hz: int) -> bytes:
    buffer = io.BytesIO()
    soundfile.write(buffer, recorded.astype(np.float32), rate_hz, subtype="FLOAT", format="WAV")
    return buffer.getvalue()


def _fill(reservation: Reservation, content: bytes) -> None:
    written = 0
    while written < len(content):
        written += os.pwrite(reservation.handle, content[written:], written)
    os.ftruncate(reservation.handle, len(content))
    os.fsync(reservation.handle)
    os.fchmod(reservation.handle, 0o644)


def _named(scratch: Path, folder: Path, name: str) -> Path:
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


def _elsewhere(name: str, content: bytes) -> Path | None:
    """Keep a recording anywhere that still takes it."""
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
