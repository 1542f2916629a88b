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
    channel: int | None,
    recordings: Sequence[Path],
    find: Callable[[int], _Found],
    *,
    loopback: int | None = None,
) -> _Found:
    """Return what ``find`` finds on the channel named, or on the first that holds the signal.

    Where none is named (None) that is channel 1, unless it is silent or holds no markers and
    another one holds them. The channel of a ``loopback`` is no microphone's.

    Raises
    ------
    InputError
        Whatever ``find`` raises; a `NoSignalError` of the first channel where none has a signal.
    """
    if channel is not None:
        return find(channel)
    first = 2 if loopback == 1 else 1
    try:
        return find(first)
    except NoSignalError as error:
        nothing_on_first = error
    for other in range(first + 1, min(map(count_channels, recordings)) + 1):
        if other != loopback:
            with suppress(NoSignalError):
                return find(other)
    raise nothing_on_first
