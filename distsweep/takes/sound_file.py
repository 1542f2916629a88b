"""Sound files as they lie on the disk: what their headers say, and their samples in blocks."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from distsweep.c_libraries import unheard
from distsweep.errors import InputError
from distsweep.takes.sample_checksum import RunningChecksum, remembered_checksum
from distsweep.units import FloatArray

BLOCK_SAMPLES = 2**20
"""Samples of each channel that are read at once (chosen: 8 MB a channel, twenty seconds at 48 kHz,
and a call costs nothing beside its samples)."""

STEPS = {"PCM_U8": 2.0**-7, "PCM_S8": 2.0**-7, "PCM_16": 2.0**-15, "PCM_24": 2.0**-23}
STEPS["PCM_32"] = 2.0**-31


RATES_HZ = (1000, 10_000_000)
"""Sampling rates of sound (chosen: telephones have 8000, the fastest recorders 768000)."""

TALKATIVE = (".mp3", ".mp2", ".mpa")
"""Files whose decoder prints its own remarks on damage."""


@dataclass(frozen=True)
class SoundFile:
    """What the header of a sound file says.

    Attributes
    ----------
    path : where it lies.
    rate_hz : sampling rate.
    channels : how many there are.
    samples : of each channel, as announced.
    container, encoding : libsndfile's names of them, such as "WAV" and "PCM_24".
    """

    path: Path
    rate_hz: int
    channels: int
    samples: int
    container: str
    encoding: str

    @property
    def step(self) -> float:
        """Size of the encoding's smallest step, full scale 1; 0 where it has none."""
        return STEPS.get(self.encoding, 0.0)

    @property
    def length_s(self) -> float:
        """Duration."""
        return self.samples / self.rate_hz

    def check_channel(self, channel: int) -> None:
        """Refuse a channel, counted from 1, that the file does not have.

        Raises
        ------
        InputError
            It does not.
        """
        if not 1 <= channel <= self.channels:
            raise InputError(
                f"{self.path}: has {self.channels} channel(s), channel {channel} was asked for:"
                " choose another, with --channel or channel in session.toml"
            )


def open_sound(path: Path) -> SoundFile:
    """Read the header of a sound file.

    Raises
    ------
    InputError
        The file is missing, empty, or no sound file, or its header announces more than there is.
    """
    check_path(path)
    with reading(path), soundfile.SoundFile(path) as file:
        if not RATES_HZ[0] <= file.samplerate <= RATES_HZ[1]:
            raise InputError(
                f"{path}: announces a sampling rate of {file.samplerate} Hz, with which no sound is"
                " recorded: export it again"
            )
        if _is_cut_off(file.extra_info):
            raise _cut_off(path)
        return SoundFile(
            path, file.samplerate, file.channels, file.frames, file.format, file.subtype
        )


def blocks(
    sound: SoundFile,
    *,
    first: int = 0,
    last: int | None = None,
    length: int = BLOCK_SAMPLES,
    noting: bool = False,
) -> Iterator[tuple[int, FloatArray]]:
    """Yield a file's samples from ``first`` until ``last``, some at a time.

    ``noting`` keeps the checksum of a file that is read to its end for `sample_sha256`.

    Yields
    ------
    Number of a block's first sample, and its samples, shape ``(up to length, channels)``.

    Raises
    ------
    InputError
        The file cannot be read, or ends before what its header announces.
    """
    last = sound.samples if last is None else min(last, sound.samples)
    noting = noting and first == 0 and last == sound.samples
    running = RunningChecksum(sound.path) if noting else None
    with reading(sound.path), soundfile.SoundFile(sound.path) as file:
        if first:
            file.seek(first)
        while first < last:
            count = min(length, last - first)
            samples = file.read(count, dtype="float64", always_2d=True)
            if len(samples) < count:
                raise _cut_off(sound.path)
            if running is not None:
                running.add(samples)
            yield first, samples
            first += count
        if running is not None:
            running.keep()


def sample_sha256(path: Path) -> str:
    """Return the SHA-256 of a sound file's samples: see `distsweep.takes.sample_checksum`.

    A file that was read whole before, and was not changed since, is not read again.

    Raises
    ------
    InputError
        The file cannot be read.
    """
    found = remembered_checksum(path)
    if found is None:
        for _ in blocks(open_sound(path), noting=True):
            pass
        found = remembered_checksum(path)
    if found is None:
        raise InputError(f"{path}: was changed while it was read: analyse it again")
    return found


def read_channel(
    sound: SoundFile,
    channel: int,
    *,
    first: int = 0,
    last: int | None = None,
    noting: bool = False,
) -> FloatArray:
    """Return the samples of one channel, counted from 1, from ``first`` until ``last``.

    ``noting`` is that of `blocks`.

    Raises
    ------
    InputError
        There is no such channel, or as `blocks`.
    """
    sound.check_channel(channel)
    last = sound.samples if last is None else min(last, sound.samples)
    with reading(sound.path):  # a header may announce more than any memory holds
        samples = np.empty(max(last - first, 0))
    for begin, block in blocks(sound, first=first, last=last, noting=noting):
        samples[begin - first : begin - first + len(block)] = block[:, channel - 1]
    return samples


def check_path(path: Path) -> None:
    """Refuse a path at which there is no file with something in it.

    Raises
    ------
    InputError
        There is none.
    """
    try:
        if path.is_dir():
            raise InputError(f"{path}: is a folder, not a recording: give a WAV, FLAC or AIFF file")
        if not path.exists():
            raise InputError(f"{path}: no such recording: check the path")
        if path.stat().st_size == 0:
            raise InputError(f"{path}: is empty: record it again, or copy it again")
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}): check the path") from error


@contextmanager
def reading(path: Path) -> Iterator[None]:
    """Turn what libsndfile raises into one line, and what its decoders print into none.

    Raises
    ------
    InputError
        The file cannot be read as sound.
    """
    talks = path.suffix.lower() in TALKATIVE
    try:
        with unheard(in_files_too=True) if talks else nullcontext():
            yield
    except (soundfile.LibsndfileError, RuntimeError, OSError, ValueError, TypeError,
            MemoryError) as error:  # fmt: skip
        reason = str(error).replace("\n", " ").rstrip(". ") or "damaged or cut off"
        raise InputError(
            f"{path}: cannot be read as sound ({reason}): give a WAV, FLAC or AIFF file"
        ) from error


def _cut_off(path: Path) -> InputError:
    return InputError(
        f"{path}: is cut off, it holds fewer samples than its header announces:"
        " copy it again, or record it again"
    )


def _is_cut_off(log: str) -> bool:
    """Tell from libsndfile's log whether the sound data end before the length in the header."""
    for line in log.splitlines():
        found = re.match(r"\s*(?:data|SSND)\s*:\s*(\d+)\s*\(should be (\d+)\)", line)
        if found and int(found[1]) > int(found[2]):
            return True
    return False
