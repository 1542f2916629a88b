"""One capture or calibration at a time in a session: a lock that ends with the process."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from distsweep.capture.calibration import now_text
from distsweep.errors import InputError, SafetyRefusal
from distsweep.file_locks import open_locked

LOCK_NAME = ".capture-lock"


@contextmanager
def session_lock(folder: Path, *, doing: str) -> Iterator[None]:
    """Hold a session while the block runs; the system lets go when the process ends, however.

    Parameters
    ----------
    doing : said to others meanwhile, such as "a capture of 'axis'".

    Raises
    ------
    SafetyRefusal
        Another process holds it: two captures at once would be up to 6 dB louder than either.
    InputError
        The folder cannot be written, or its file system knows no locks.
    """
    path = folder / LOCK_NAME
    handle = _take(path)
    try:
        text = json.dumps({"process": os.getpid(), "since": now_text(), "doing": doing})
        os.ftruncate(handle, 0)
        os.write(handle, text.encode("utf-8", "backslashreplace"))
        yield
    finally:
        with suppress(OSError):  # Windows does not remove what is open: it stays, and is no harm
            path.unlink(missing_ok=True)
        os.close(handle)


def _take(path: Path) -> int:
    """Return the handle of the locked file."""
    try:
        return open_locked(path)
    except BlockingIOError as error:
        raise SafetyRefusal(
            f"{path.parent}: {_other(path)} is under way there: two at once would be up to 6 dB"
            " louder, and mixed up; wait until it has ended, or end it"
        ) from error
    except OSError as error:
        raise InputError(
            f"{path.parent}: cannot be written or locked ({error.strerror}), so two captures"
            " there could not be told apart: make it writable, or choose a folder on a local disk"
        ) from error


def _other(path: Path) -> str:
    """Name who holds the lock, as far as that has been written."""
    try:
        noted = json.loads(path.read_text(encoding="utf-8"))
        return f"{noted['doing']} (process {noted['process']}, since {noted['since']})"
    except (OSError, ValueError, KeyError, TypeError):
        return "another capture or calibration"
