"""Reading recordings: WAV, FLAC and AIFF in any usual encoding, one channel of them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from distsweep.errors import InputError, NoSignalError
from distsweep.takes.sound_file import SoundFile, open_sound, read_channel
from distsweep.units import FloatArray, IntArray

SILENT_PEAK = 1e-6
"""A recording whose largest sample is below −120 dBFS holds no sound (chosen: a 16-bit
file's single step is −90 dBFS, a muted 24-bit converter's noise rarely below −115)."""

LARGEST_PEAK = 1e9
"""Largest sample, full scale 1 (chosen: floating-point files by programs that scale to whole
numbers of 24 bits reach 8e6)."""

CLIPPED_FROM = 0.99985
"""Samples this close to full scale count as clipped when two follow each other; it is five
steps of a 16-bit converter (chosen: converters differ in their last few codes)."""

ALL_CLIPPED_SHARE = 0.2
"""A recording with this share of its samples clipped is refused (chosen: nothing can be measured
in it)."""


@dataclass(frozen=True)
class Recording:
    """One channel of a sound file.

    Attributes
    ----------
    path : where it was read.
    samples : shape ``(samples,)``, full scale 1.
    rate_hz : sampling rate.
    clipped_samples : sorted indices of samples that are clipped, shape ``(K,)``.
    step : size of the encoding's smallest step; 0 where it has none (float).
    peak : largest magnitude of a sample.
    first_sample : which sample of the file's the first of ``samples`` is.
    subtype : libsndfile's name of the encoding.
    """

    path: Path
    samples: FloatArray
    rate_hz: int
    clipped_samples: IntArray
    step: float
    peak: float
    first_sample: int = 0
    subtype: str = ""


def read_recording(
    path: Path | SoundFile,
    *,
    channel: int = 1,
    first: int = 0,
    last: int | None = None,
    noting: bool = False,
) -> Recording:
    """Read one channel (counted from 1) of a sound file, or a stretch of it.

    Parameters
    ----------
    path : the file, or its header if that was read before.
    first, last : the stretch's first sample, and the one after its last.
    noting : keep the checksum of a file that is read whole, as `sound_file.blocks`.

    Raises
    ------
    InputError
        The file is missing, empty, no sound file, cut off, has no such channel, holds no
        sound (a `NoSignalError`), is clipped all over, or holds samples that are not numbers.
    """
    sound = path if isinstance(path, SoundFile) else open_sound(path)
    samples = read_channel(sound, channel, first=first, last=last, noting=noting)
    peak = max(float(samples.max()), -float(samples.min())) if len(samples) else 0.0
    if not len(samples):
        raise InputError(f"{sound.path}: holds no samples: record it again, or copy it again")
    if not peak <= LARGEST_PEAK:
        bad = first + int(np.flatnonzero(~(np.abs(samples) <= LARGEST_PEAK))[0])
        raise no_number(sound, channel, bad)
    if peak < SILENT_PEAK:
        raise silent(sound, channel)
    clipped = find_clipping(samples, peak, step=sound.step)
    if len(clipped) > ALL_CLIPPED_SHARE * len(samples):
        raise clipped_all_over(sound, len(clipped) / len(samples))
    return Recording(
        path=sound.path,
        samples=samples,
        rate_hz=sound.rate_hz,
        clipped_samples=clipped,
        step=sound.step,
        peak=peak,
        first_sample=first,
        subtype=sound.encoding,
    )


def no_number(sound: SoundFile, channel: int, sample: int) -> InputError:
    """Return the error of a channel with a sample that is not finite, or beyond all levels."""
    return InputError(
        f"{sound.path}: sample {sample} of channel {channel} is not a number, or is beyond"
        f" {LARGEST_PEAK:g} times full scale: export the recording again"
    )


def silent(sound: SoundFile, channel: int) -> NoSignalError:
    """Return the error of a channel that holds no sound."""
    return NoSignalError(
        f"{sound.path}: channel {channel} is silent: choose another channel, or check the"
        " microphone"
    )


def clipped_all_over(sound: SoundFile, share: float) -> InputError:
    """Return the error of a channel of which such a share is clipped."""
    return InputError(
        f"{sound.path}: {int(100 * share)} % of the samples are clipped:"
        " lower the input gain and record it again"
    )


def count_channels(path: Path) -> int:
    """Return how many channels a sound file has.

    Raises
    ------
    InputError
        It cannot be read as sound.
    """
    return open_sound(path).channels


def find_clipping(samples: FloatArray, peak: float, *, step: float = 0.0) -> IntArray:
    """Return the indices of clipped samples.

    Two or more neighbours at full scale are taken for clipping. So are three or more
    equal neighbours at the recording's own peak that are reached by a corner: a recording that
    was clipped first and turned down later. Then every sample at that limit counts, as a high
    note has no room for two. A single ``step`` of the encoding is no corner: in 8 bits, or some
    steps above nothing, every wave's top is flat.
    """
    limit = CLIPPED_FROM if CLIPPED_FROM <= peak <= 1.0 else peak * (1.0 - 1e-6)
    at_limit = _reaching(samples, limit)
    if len(at_limit) < 2:
        return np.empty(0, dtype=np.int64)
    same_sign = np.sign(samples[at_limit[1:]]) == np.sign(samples[at_limit[:-1]])
    joined = (np.diff(at_limit) == 1) & same_sign
    starts = np.concatenate([[0], np.flatnonzero(~joined) + 1])
    lengths = np.diff(np.concatenate([starts, [len(at_limit)]]))
    if limit == CLIPPED_FROM:
        keep = lengths >= 2
    else:
        before = np.abs(samples[np.maximum(at_limit[starts] - 1, 0)])
        keep = (lengths >= 3) & (before < min(0.99 * peak, peak - 1.5 * step))
    return np.asarray(at_limit if np.any(keep) else at_limit[:0], dtype=np.int64)


def _reaching(samples: FloatArray, limit: float) -> IntArray:
    """Return the indices of samples that reach ±limit; few blocks of a recording hold any."""
    block = 4096
    whole = samples[: len(samples) // block * block].reshape(-1, block)
    loud = np.flatnonzero((whole.max(axis=1) >= limit) | (whole.min(axis=1) <= -limit))
    rest = np.arange(whole.size, len(samples))
    places = np.concatenate([(loud[:, None] * block + np.arange(block)).reshape(-1), rest])
    return np.asarray(places[np.abs(samples[places]) >= limit], dtype=np.int64)
