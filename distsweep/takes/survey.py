"""The levels of a sound file's channels, in one way through it, block by block."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from distsweep.takes.recording import CLIPPED_FROM, LARGEST_PEAK
from distsweep.takes.sound_file import SoundFile, blocks
from distsweep.units import FloatArray

LEVELS_S = 0.1
"""Stretch of which each level in time is the mean power (chosen: a syllable or a pause)."""

STRETCHES = 256
"""Stretches that are read at once (chosen: some twenty seconds)."""


@dataclass(frozen=True)
class ChannelLevels:
    """What one channel holds.

    Attributes
    ----------
    peak : largest magnitude of a sample, full scale 1.
    mean : of all samples: direct current.
    mean_power : mean square.
    at_full_scale : number of samples at or within a few steps of full scale.
    not_a_number : which sample is the first that is not finite; None where all are.
    powers : mean square of each ``LEVELS_S``, shape ``(T,)``; a rest at the end is left out.
    zeros : share of samples in each that are exactly 0, shape ``(T,)``.
    """

    peak: float
    mean: float
    mean_power: float
    at_full_scale: int
    not_a_number: int | None
    powers: FloatArray
    zeros: FloatArray


def survey(
    sound: SoundFile, *, searching: Callable[[str, float], None] | None = None
) -> list[ChannelLevels]:
    """Return the levels of every channel of a file.

    ``searching`` is called with the file's name and the share that was gone through.

    Raises
    ------
    InputError
        The file cannot be read, or ends before what its header announces.
    """
    stretch = max(1, round(LEVELS_S * sound.rate_hz))
    peaks, sums, energies = (np.zeros(sound.channels) for _ in range(3))
    loud = np.zeros(sound.channels, dtype=np.int64)
    bad: list[int | None] = [None] * sound.channels
    powers, zeros = [np.empty((0, sound.channels))], [np.empty((0, sound.channels))]
    for first, read in blocks(sound, length=STRETCHES * stretch, noting=True):
        finite = np.abs(read) <= LARGEST_PEAK
        block = read
        if not np.all(finite):
            for channel in np.flatnonzero(~np.all(finite, axis=0)):
                if bad[channel] is None:
                    bad[channel] = first + int(np.argmin(finite[:, channel]))
            block = np.where(finite, read, 0.0)
        size = np.abs(block)
        peaks = np.maximum(peaks, np.max(size, axis=0))
        loud += np.sum(size >= CLIPPED_FROM, axis=0)
        sums += np.sum(block, axis=0)
        energies += np.einsum("ij,ij->j", block, block)
        parts = block[: len(block) // stretch * stretch].reshape(-1, stretch, sound.channels)
        powers.append(np.einsum("tij,tij->tj", parts, parts) / stretch)
        zeros.append(np.mean(parts == 0.0, axis=1))
        if searching is not None:
            searching(sound.path.name, min(1.0, (first + len(block)) / sound.samples))
    power, zero = np.concatenate(powers), np.concatenate(zeros)
    count = max(1, sound.samples)
    return [
        ChannelLevels(
            peak=float(peaks[channel]),
            mean=float(sums[channel] / count),
            mean_power=float(energies[channel] / count),
            at_full_scale=int(loud[channel]),
            not_a_number=bad[channel],
            powers=power[:, channel],
            zeros=zero[:, channel],
        )
        for channel in range(sound.channels)
    ]
