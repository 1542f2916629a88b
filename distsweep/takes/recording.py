"""Reading recordings: WAV, FLAC and AIFF in any usual encoding, one channel of them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from distsweep.errors import InputError
from distsweep.units import FloatArray, IntArray

SILENT_PEAK = 1e-6
"""A recording whose largest sample is below −120 dBFS holds no sound (chosen: a 16-bit
file's single step is −90 dBFS, a muted 24-bit converter's noise rarely below −115)."""

CLIPPED_FROM = 0.99985
"""Samples this close to full scale count as clipped when two follow each other; it is five
steps of a 16-bit converter (chosen: converters differ in their last few codes)."""

ALL_CLIPPED_SHARE = 0.2
"""A recording with this share of its samples clipped is refused (chosen: nothing can be measured
in it)."""


_STEPS = {"PCM_U8": 2.0**-7, "PCM_S8": 2.0**-7, "PCM_16": 2.0**-15, "PCM_24": 2.0**-23}
_STEPS["PCM_32"] = 2.0**-31


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
    subtype : libsndfile's name of the encoding.
    """

    path: Path
    samples: FloatArray
    rate_hz: int
    clipped_samples: IntArray
    step: float
    peak: float
    subtype: str = ""


def read_recording(path: Path, *, channel: int = 1) -> Recording:
    """Read one channel (counted from 1) of a sound file.

    Raises
    ------
    InputError
        The file is missing, empty, no sound file, cut off, has no such channel, holds no
        sound, is clipped all over, or holds samples that are not numbers.
    """
    _check_path(path)
    samples, rate_hz, subtype = _read_channel(path, channel)
    step = _STEPS.get(subtype, 0.0)
    peak = max(float(samples.max()), -float(samples.min())) if len(samples) else 0.0
    if not len(samples):
        raise InputError(f"{path}: holds no samples: record it again, or copy it again")
    if not np.isfinite(peak):
        bad = int(np.flatnonzero(~np.isfinite(samples))[0])
        raise InputError(
            f"{path}: sample {bad} of channel {channel} is not a number: export the recording again"
        )
    if peak < SILENT_PEAK:
        raise InputError(
            f"{path}: channel {channel} is silent: choose another channel, or check the microphone"
        )
    clipped = find_clipping(samples, peak, step=step)
    if len(clipped) > ALL_CLIPPED_SHARE * len(samples):
        raise InputError(
            f"{path}: {100 * len(clipped) // len(samples)} % of the samples are clipped:"
            " lower the input gain and record it again"
        )
    return Recording(path, samples, rate_hz, clipped, step, peak, subtype)


def count_channels(path: Path) -> int:
    """Return how many channels a sound file has.

    Raises
    ------
    InputError
        It cannot be read as sound.
    """
    _check_path(path)
    try:
        return int(soundfile.info(path).channels)
    except (soundfile.LibsndfileError, RuntimeError, OSError) as error:
        raise InputError(f"{path}: cannot be read as sound: give a WAV, FLAC or AIFF") from error


def _check_path(path: Path) -> None:
    try:
        if path.is_dir():
            raise InputError(f"{path}: is a folder, not a recording: give a WAV, FLAC or AIFF file")
        if not path.exists():
            raise InputError(f"{path}: no such recording: check the path")
        if path.stat().st_size == 0:
            raise InputError(f"{path}: is empty: record it again, or copy it again")
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}): check the path") from error


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


def _read_channel(path: Path, channel: int) -> tuple[FloatArray, int, str]:
    try:
        with soundfile.SoundFile(path) as file:
            if not 1 <= channel <= file.channels:
                raise InputError(
                    f"{path}: has {file.channels} channel(s), channel {channel} was asked for:"
                    " choose another, with --channel or channel in session.toml"
                )
            announced = file.frames
            cut_off = _is_cut_off(file.extra_info)
            samples = file.read(dtype="float64", always_2d=True)[:, channel - 1]
            rate_hz = file.samplerate
            subtype = str(file.subtype)
    except (soundfile.LibsndfileError, RuntimeError, OSError, ValueError, TypeError) as error:
        reason = str(error).replace("\n", " ").rstrip(". ") or "damaged or cut off"
        raise InputError(
            f"{path}: cannot be read as sound ({reason}): give a WAV, FLAC or AIFF file"
        ) from error
    if cut_off or len(samples) < announced:
        raise InputError(
            f"{path}: is cut off, it holds fewer samples than its header announces:"
            " copy it again, or record it again"
        )
    return np.ascontiguousarray(samples), rate_hz, subtype


def _reaching(samples: FloatArray, limit: float) -> IntArray:
    """Return the indices of samples that reach ±limit; few blocks of a recording hold any."""
    block = 4096
    whole = samples[: len(samples) // block * block].reshape(-1, block)
    loud = np.flatnonzero((whole.max(axis=1) >= limit) | (whole.min(axis=1) <= -limit))
    rest = np.arange(whole.size, len(samples))
    places = np.concatenate([(loud[:, None] * block + np.arange(block)).reshape(-1), rest])
    return np.asarray(places[np.abs(samples[places]) >= limit], dtype=np.int64)


def _is_cut_off(log: str) -> bool:
    """Tell from libsndfile's log whether the sound data end before the length in the header."""
    for line in log.splitlines():
        found = re.match(r"\s*(?:data|SSND)\s*:\s*(\d+)\s*\(should be (\d+)\)", line)
        if found and int(found[1]) > int(found[2]):
            return True
    return False
