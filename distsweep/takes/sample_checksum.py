"""The checksum of a recording's samples, the same for every lossless coding of them.

It is the SHA-256 of all samples of all channels, interleaved, decoded to little-endian 64-bit
floating point with full scale 1. Whole numbers of up to 32 bits and floating-point samples are
exact in it, so that a WAV of 16 or 24 bits and a FLAC of the same recording agree. Anybody can find
it::

    samples, rate_hz = soundfile.read("axis.wav", dtype="float64", always_2d=True)
    hashlib.sha256(samples.astype("<f8").tobytes()).hexdigest()

Of a lossy coding (MP3, Ogg) it is that of what the decoder at hand makes of it. Names, dates and
other notes in a file are not in it, nor is the sampling rate.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np

from distsweep.errors import InputError
from distsweep.units import FloatArray

REMEMBERED = 4096
"""Files whose checksums are kept (chosen: more than a session holds, a file a rung included)."""

_Key = tuple[Path, int, int]
_known: dict[_Key, str] = {}


class RunningChecksum:
    """Takes a file's samples block by block, from the first to the last, while they are read."""

    def __init__(self, path: Path) -> None:
        """Begin, unless the checksum of this file as it is now is known."""
        self.key = _key(path)
        self.hash = None if self.key in _known else hashlib.sha256()

    def add(self, samples: FloatArray) -> None:
        """Add a block, shape ``(samples, channels)``, full scale 1."""
        if self.hash is not None:
            self.hash.update(np.ascontiguousarray(samples, dtype="<f8").data)

    def keep(self) -> None:
        """Remember the checksum: every sample was added."""
        if self.hash is not None:
            if len(_known) >= REMEMBERED:
                _known.clear()
            _known[self.key] = self.hash.hexdigest()


def remembered_checksum(path: Path) -> str | None:
    """Return the checksum of a file that was read whole, and was not changed since; else None."""
    return _known.get(_key(path))


def _key(path: Path) -> _Key:
    """Tell a file as it is now from what stood, or will stand, at its place.

    Raises
    ------
    InputError
        It cannot be looked at.
    """
    try:
        stat = path.stat()
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}): check the path") from error
    return path.absolute(), stat.st_mtime_ns, stat.st_size
