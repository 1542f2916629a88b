"""Audio drivers that print or hang: neither may hold up what plays and records."""

from __future__ import annotations

import os
import stat
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import Any

CLOSING_S = 2.0
"""Longest wait for a driver to close; then it is left behind (chosen)."""


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


def close_streams(streams: Sequence[Any]) -> None:
    """Close streams, in a thread of its own: some drivers never return from it."""

    def close() -> None:
        for stream in streams:
            with suppress(Exception):  # a device that is gone cannot be closed any better
                stream.abort(ignore_errors=True)
                stream.close(ignore_errors=True)

    closing = threading.Thread(target=close, daemon=True)
    closing.start()
    closing.join(CLOSING_S)
