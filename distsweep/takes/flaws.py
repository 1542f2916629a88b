"""Clipping and muted blocks of all channels, in one way through a sound file, block by block."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.results import Damage
from distsweep.takes.muted import BESIDE_S, MUTED_S, muted_blocks
from distsweep.takes.recording import SILENT_PEAK, find_clipping
from distsweep.takes.sound_file import SoundFile, blocks
from distsweep.takes.survey import ChannelLevels


@dataclass
class Clipping:
    """How many samples of a channel are clipped, and which is the first; −1 where none is."""

    samples: int = 0
    first: int = -1


def clipped_and_muted(
    sound: SoundFile, levels: Sequence[ChannelLevels]
) -> tuple[list[Clipping], list[Damage]]:
    """Go through a file for flat tops at each channel's peak, and for muted blocks."""
    clipped = [Clipping() for _ in levels]
    muted: list[Damage] = []
    # Blocks overlap by what a muted block needs on both sides.
    kept = round((2.0 * BESIDE_S + MUTED_S) * sound.rate_hz)
    rest = np.empty((0, sound.channels))
    for first, block in blocks(sound):
        whole = np.concatenate([rest, block])
        begin = first - len(rest)
        for channel, found in enumerate(levels):
            if found.peak < SILENT_PEAK or found.not_a_number is not None:
                continue
            places = find_clipping(block[:, channel], found.peak, step=sound.step)
            if len(places):
                seen = clipped[channel]
                seen.first = seen.first if seen.samples else first + int(places[0])
                seen.samples += len(places)
            muted += [
                _muted(sound, begin + start, begin + end)
                for start, end in muted_blocks(
                    whole[:, channel], rate_hz=sound.rate_hz, step=sound.step
                )
            ]
        rest = whole[-kept:]
    # A block in the overlap is found twice, and channels are often muted together.
    times = sorted({(one.start_s, one.end_s): one for one in muted}.items())
    return clipped, [one for _, one in times]


def _muted(sound: SoundFile, start: int, end: int) -> Damage:
    return Damage(
        "muted",
        start / sound.rate_hz,
        end / sound.rate_hz,
        samples=end - start,
        recording=sound.path.name,
    )
