"""What libraries written in C print on stderr, led elsewhere for a while."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress


@contextmanager
def unheard(*, in_files_too: bool = False) -> Iterator[None]:
    """Let what C libraries print on stderr go nowhere, unless that is a file.

    A terminal or a pipe that nobody reads would block the thread that prints. ``in_files_too``
    keeps it out of a file as well.
    """
    kept = None
    with suppress(OSError):  # there may be no stderr
        is_file = stat.S_ISREG(os.fstat(2).st_mode)
        kept = None if is_file and not in_files_too else os.dup(2)
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
