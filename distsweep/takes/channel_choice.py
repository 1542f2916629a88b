"""Which channel of its recordings a take is in, where none was named."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TypeVar

from distsweep.errors import NoSignalError
from distsweep.takes.recording import count_channels

_Found = TypeVar("_Found")


def on_a_channel(
    channel: int | None, recordings: Sequence[Path], find: Callable[[int], _Found]
) -> _Found:
    """Return what ``find`` finds on the channel named, or on the first that holds the signal.

    Where none is named (None) that is channel 1, unless it is silent or holds no markers and
    another one holds them.

    Raises
    ------
    InputError
        Whatever ``find`` raises; a `NoSignalError` of the first channel where none has a signal.
    """
    if channel is not None:
        return find(channel)
    try:
        return find(1)
    except NoSignalError as error:
        nothing_on_first = error
    for other in range(2, min(map(count_channels, recordings)) + 1):
        with suppress(NoSignalError):
            return find(other)
    raise nothing_on_first
