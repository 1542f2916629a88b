"""A locked file: one process at a time holds it, and the system lets go when that ends, however."""

from __future__ import annotations

import os
from pathlib import Path

LOCKED_BYTE = 1 << 20
"""Where Windows locks a byte: what is locked there cannot be read, so it lies past any text."""


def open_locked(path: Path) -> int:
    """Open a file, make it if need be, and lock it at once; return its handle.

    Whoever holds it may remove the file before closing it: the handle that is returned is of a
    file that still has its name.

    Raises
    ------
    BlockingIOError
        Another process, or this one, holds it.
    OSError
        The file cannot be written, or its file system knows no locks.
    """
    while True:
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        try:
            _lock(handle)
            # The one before may have removed its file between our opening and our locking it.
            if path.exists() and os.path.samestat(os.fstat(handle), path.stat()):
                return handle
        except BaseException:
            os.close(handle)
            raise
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
