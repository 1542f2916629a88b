"""Exponential sweeps in a recording of which nothing is known."""

from __future__ import annotations

import math

from distsweep.results.inspection import FoundSweep
from distsweep.stimulus.ridge import RoughSweep, look
from distsweep.takes.sound_file import SoundFile, read_channel

LONGEST_S = 600.0
"""Longer recordings are not searched (chosen: they are held in memory for this)."""


def heard_sweeps(sound: SoundFile, channel: int) -> list[FoundSweep]:
    """Return the sweeps in one channel, roughly; none of a recording that is too long for it.

    Raises
    ------
    InputError
        The file cannot be read.
    """
    if sound.length_s > LONGEST_S:
        return []
    heard = look(read_channel(sound, channel), sound.rate_hz)
    return [
        FoundSweep(
            start_s=sweep.first_s,
            end_s=sweep.last_s,
            low_hz=_frequency_at_hz(sweep, sweep.first_s),
            high_hz=_frequency_at_hz(sweep, sweep.last_s),
        )
        for sweep in heard.sweeps
    ]


def _frequency_at_hz(sweep: RoughSweep, time_s: float) -> float:
    later_s = time_s - sweep.reference_s
    return sweep.reference_hz * math.exp(later_s / sweep.rate_constant_s)
