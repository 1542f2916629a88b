"""The recording's own hiss over time: a witness of the recorder's gain, whatever is played.

The fourth difference of a recording weights its spectrum by (2·sin(π·f/rate))⁸ in power: what is
left is the top octave. While a sweep passes the bass, and once a room has died away, that holds
microphone and preamplifier noise only, which a gain behind them moves, and no loudspeaker can.
Products of the loudspeaker may raise it; only a gain, or what codes the sound, can lower it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.takes.gain_steps import GainStep
from distsweep.takes.recording import Recording
from distsweep.units import FloatArray, db_to_power, power_to_db

BLOCK = 1024
"""Samples whose hiss is one value (chosen: 21 ms at 48 kHz)."""

LOOKED_AT, AT_ONCE = 640, 64
"""Samples of a block that are looked at, and blocks at a time (chosen: these stay in a processor's
cache, and less of a block says less)."""

OF_ROUNDING = 70.0 / 12.0
"""Mean square of the fourth difference of rounding to a step of 1: the sum of the squares of
1, −4, 6, −4, 1 times 1/12, by its formula."""

ABOVE_ROUNDING = 12.0
"""Hiss is a witness where its power is as many times that of rounding (by its formula: what rounds
to one step and back from sample to sample has 11 times as much, and does not follow a gain)."""

LEAST_BLOCKS = 24
"""Blocks over which hiss is averaged at least (chosen: half a second at 48 kHz, which white noise
fills with some four thousand independent values, a standard deviation of 0.1 dB)."""

DIES_AWAY_DB = 0.6
"""The silence's second half is softer than its first by up to this, or it is no hiss that it holds
but a sound that dies away (chosen: in half a second of white noise, the shortest that is looked at,
three standard deviations). Louder it may be: an automatic gain recovers from the marker."""

LARGEST_MISFIT_DB = 3.0
"""A block that is farther from a level counts as so far (chosen: what a sweep's treble makes there
says nothing on the gain)."""


UNKNOWN_DB = 1000.0
"""What stands for a block that tells nothing, where the lowest is looked for (chosen: beyond any
level)."""


@dataclass(frozen=True)
class Hiss:
    """The hiss of a recording re that of its silence.

    Attributes
    ----------
    change_db : a value every `BLOCK` samples, re the silence; NaN where the recording is clipped,
        and its flat tops hold no hiss; shape ``(T,)``.
    """

    change_db: FloatArray

    def without(self, steps: Sequence[GainStep]) -> Hiss:
        """Return the hiss as it is once steps of the gain are put right."""
        change_db = self.change_db.copy()
        for step in steps:
            change_db[step.sample // BLOCK :] -= step.change_db
        return Hiss(change_db)

    def place_of_step(self, step_db: float) -> int:
        """Return the sample at which one step explains the hiss best, by least absolute misfit."""
        before = np.minimum(np.abs(self.change_db), LARGEST_MISFIT_DB)
        after = np.minimum(np.abs(self.change_db - step_db), LARGEST_MISFIT_DB)
        misfit = np.concatenate([[0.0], np.nancumsum(before - after)])
        return BLOCK * int(np.argmin(misfit))

    def between(self, first: float, last: float) -> float:
        """Return the median from one sample until another; NaN where that is too short."""
        part = self.change_db[int(np.ceil(first / BLOCK)) : int(last / BLOCK)]
        part = part[np.isfinite(part)]
        return float(np.median(part)) if len(part) >= LEAST_BLOCKS // 2 else float("nan")

    def lowest(self, first: float, last: float) -> float:
        """Return the lowest median over `LEAST_BLOCKS` blocks from one sample until another."""
        part = self.change_db[int(np.ceil(first / BLOCK)) : int(last / BLOCK)]
        if len(part) < LEAST_BLOCKS:
            return 0.0
        # Blocks without any hiss, as of a gate, or clipped ones, tell nothing.
        part = np.where(np.isfinite(part), part, UNKNOWN_DB)
        running = np.lib.stride_tricks.sliding_window_view(part, LEAST_BLOCKS)
        return float(np.min(np.median(running, axis=1)))


def hiss_of(recording: Recording, quiet: tuple[int, int]) -> Hiss | None:
    """Return a recording's hiss; None where its silence holds none that a gain would move.

    Parameters
    ----------
    quiet : first sample of the silence, and the one after its last.
    """
    count = len(recording.samples) // BLOCK
    parts = recording.samples[: count * BLOCK].reshape(count, BLOCK)
    power = np.empty(count)
    for first in range(0, count, AT_ONCE):
        rough = np.diff(parts[first : first + AT_ONCE, :LOOKED_AT], n=4, axis=1)
        power[first : first + AT_ONCE] = np.einsum("ij,ij->i", rough, rough) / rough.shape[1]
    silence = power[int(np.ceil(quiet[0] / BLOCK)) : quiet[1] // BLOCK]
    if len(silence) < LEAST_BLOCKS:
        return None
    usual = float(np.median(silence))
    if usual <= ABOVE_ROUNDING * OF_ROUNDING * recording.step**2:
        return None
    early, late = (float(np.median(half)) for half in np.array_split(silence, 2))
    if late < early * db_to_power(-DIES_AWAY_DB):
        return None
    power[np.unique(recording.clipped_samples[recording.clipped_samples < parts.size] // BLOCK)] = (
        np.nan
    )
    with np.errstate(divide="ignore"):
        return Hiss(np.asarray(power_to_db(power / usual)))
