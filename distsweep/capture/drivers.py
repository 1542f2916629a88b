"""Keeping what audio drivers print from holding up what they do."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress


@contextmanager
def drivers_unheard() -> Iterator[None]:
    """Let what C libraries print on stderr go nowhere, unless that is a file.

    A terminal or a pipe that nobody reads would block the thread that prints, and a stream
    whose own thread hangs can neither play nor be stopped.
    """
    kept = None
    with suppress(OSError):  # there may be no stderr
        kept = None if stat.S_ISREG(os.fstat(2).st_mode) else os.dup(2)
    if kept is None:
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    os.close(nowhere)
    try:
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
