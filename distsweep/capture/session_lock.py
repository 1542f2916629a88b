"""One at a time in a session: a lock that ends with the process, and names who holds it."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from distsweep.capture.calibration import now_text
from distsweep.errors import InputError, SafetyRefusal

LOCK_NAME = ".capture-lock"

LOCKED_BYTE = 1 << 20
"""Where Windows locks a byte: what is locked there cannot be read, so it lies past the text."""


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
    """Return the handle of a locked file that still has its name."""
    while True:
        try:
            handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        except OSError as error:
            raise InputError(
                f"{path.parent}: cannot be written ({error.strerror}): make it writable, or"
                " choose another place"
            ) from error
        try:
            _lock(handle)
            # The one before may have removed its file between our opening and our locking it.
            if path.exists() and os.path.samestat(os.fstat(handle), path.stat()):
                return handle
        except BlockingIOError as error:
            other = _other(path)
            os.close(handle)
            raise SafetyRefusal(
                f"{path.parent}: {other} is under way there: two at once would be up to 6 dB"
                " louder, and mixed up; wait until it has ended, or end it"
            ) from error
        except OSError as error:
            os.close(handle)
            raise InputError(
                f"{path.parent}: cannot be locked ({error.strerror}), so two captures there"
                " could not be told apart: choose a folder on a local disk"
            ) from error
        os.close(handle)


def _lock(handle: int) -> None:
    """Lock an open file at once; BlockingIOError where another process has locked it."""
    try:
        import fcntl
    except ImportError:
        _lock_on_windows(handle)
        return
    fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _lock_on_windows(handle: int) -> None:
    import importlib

    msvcrt = importlib.import_module("msvcrt")
    os.lseek(handle, LOCKED_BYTE, os.SEEK_SET)
    try:
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
    except OSError as error:
        raise BlockingIOError(error.errno, error.strerror) from error
    finally:
        os.lseek(handle, 0, os.SEEK_SET)


def _other(path: Path) -> str:
    """Name who holds the lock, as far as that has been written."""
    try:
        said = json.loads(path.read_text(encoding="utf-8"))
        return f"{said['doing']} (process {said['process']}, since {said['since']})"
    except (OSError, ValueError, KeyError, TypeError):
        return "another capture or calibration"
