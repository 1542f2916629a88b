"""Steps of the zero line: a transient of low frequencies that no loudspeaker can play.

Between one sweep and its quieter neighbour, scaled, a step of the offset is what is left. Its place
is where the means of blocks on both sides differ most, by least squares; it stays, or decays behind
a coupling capacitor, and is taken off.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.takes.gain_steps import delayed
from distsweep.takes.sweep_blocks import BLOCK, SweepBlocks
from distsweep.units import FloatArray, db_to_ratio

SHORT = 4
"""Blocks on either side of a place whose means are compared (chosen: 21 ms at 48 kHz)."""

REACH = 16
"""Blocks on either side of a step over which its height is measured (chosen: 85 ms at 48 kHz)."""

LEAST_OF_PEAK = 0.0008
"""Least height re the recording's peak (chosen: what is smaller moves no harmonic by a decibel)."""

SUDDEN = 0.7
"""Share of its height that lies between the blocks right before and after it at least (chosen: what
a loudspeaker's even products shift the zero line by rises and falls with its resonances)."""

ABOVE_USUAL, ALONE = 16.0, 4.0
"""A step is as many times what means of blocks usually differ by around it, and the second times as
many in a loudest sweep, beside which none denies that the loudspeaker did it (chosen: bass of a
sweep that a block does not hold a period of is not even)."""


SHOWN, SAME_DRIVE_DB = 0.3, 0.05
"""What another sweep, no quieter than the second lower, shows of a step's height at the same place
at least where it is the loudspeaker's (chosen: repeats scatter by less)."""

LEAST_SWEEPS = 3
"""Sweeps that tell together what one's means are to be (chosen: fewer have no median)."""

EXPLAINED = 0.85
"""Share of the means' energy around it that a step explains at least (chosen: a knock rings, and a
muted block ends)."""

DECAYS_S = (*np.geomspace(0.01, 0.64, 25).tolist(), np.inf)
"""Times in which a step falls to 1/e that are tried (chosen: high-passes of 16 to 0.25 Hz)."""


@dataclass(frozen=True)
class OffsetStep:
    """One step: its sweep, its first sample, its height, and the time in which it falls to 1/e."""

    sweep: int
    sample: int
    height: float
    decay_s: float


def find_offset_steps(sweeps: Sequence[SweepBlocks], *, rate_hz: int) -> list[OffsetStep]:
    """Return the steps of the zero line within sweeps; each sweep's largest, if it is one."""
    if len(sweeps) < LEAST_SWEEPS:
        return []
    drives = np.array([sweep.drive_dbfs for sweep in sweeps])
    amplitudes = db_to_ratio(drives)[:, None]
    means = np.array([sweep.samples.mean(axis=1) for sweep in sweeps])
    means -= np.median(means, axis=1)[:, None]
    rest = means - amplitudes * np.median(means / amplitudes, axis=0)
    running = np.cumsum(np.pad(rest, ((0, 0), (1, 0))), axis=1)
    spans = (running[:, SHORT:] - running[:, :-SHORT]) / SHORT
    heights = spans[:, SHORT + 1 :] - spans[:, : -SHORT - 1]
    peak = max(float(np.max(sweep.highest)) for sweep in sweeps)
    found = []
    for number, sweep in enumerate(sweeps):
        beside = min(
            (other for other in range(len(sweeps)) if other != number),
            key=lambda other: abs(drives[other] - drives[number]),
        )
        at = int(np.argmax(np.abs(heights[number])))
        louder = (drives > drives[number] - SAME_DRIVE_DB) & (np.arange(len(sweeps)) != number)
        if _shown_by(heights[louder], at, float(heights[number, at])):
            continue
        around = np.abs(heights[number, max(at - 8 * REACH, 0) : at + 8 * REACH])
        usual = ABOVE_USUAL * float(np.median(around)) * (1.0 if np.any(louder) else ALONE)
        if abs(heights[number, at]) < max(LEAST_OF_PEAK * peak, usual):
            continue
        step = _step_at(
            at, number, sweep, sweeps[beside], rest[number], float(heights[number, at]), rate_hz
        )
        if step is not None:
            found.append(step)
    return found


def _shown_by(heights: FloatArray, at: int, height: float) -> bool:
    """Tell whether another sweep, as loud or louder, steps there as well: a loudspeaker's doing."""
    near = heights[:, max(at - SHORT, 0) : at + SHORT + 1] * np.sign(height)
    return bool(np.any(near >= SHOWN * abs(height)))


def _step_at(
    at: int,
    number: int,
    sweep: SweepBlocks,
    beside: SweepBlocks,
    rest: FloatArray,
    height: float,
    rate_hz: int,
) -> OffsetStep | None:
    """Return the step of what is left of a sweep's means at a place; None where it is none."""
    block = at + SHORT
    if abs(rest[block + 1] - rest[block - 1]) < SUDDEN * abs(height):
        return None
    first, last = max(block - REACH, 0), min(block + 4 * REACH, len(rest))
    part, place = rest[first:last] - np.mean(rest[first:block]), block - first
    decay_s, height = _decay(part, place, rate_hz)
    fitted = np.where(
        np.arange(len(part)) > place, height * _falling(len(part), place, decay_s, rate_hz), 0.0
    )
    part[place] = 0.0
    if np.sum((part - fitted) ** 2) > (1.0 - EXPLAINED) * np.sum(part**2):
        return None
    sample = sweep.first + _exactly(sweep, beside, block)
    return OffsetStep(number, sample, height, decay_s)


def _falling(count: int, place: int, decay_s: float, rate_hz: int) -> FloatArray:
    blocks = np.maximum(np.arange(count) - place, 0)
    return np.asarray(np.exp(-blocks * (BLOCK / rate_hz) / decay_s))


def _decay(part: FloatArray, place: int, rate_hz: int) -> tuple[float, float]:
    """Return the time of decay, and the height, that leave least of what follows a place."""
    after = part[place + 1 :]
    best = (np.inf, np.inf, 0.0)
    for decay_s in DECAYS_S:
        shape = _falling(len(part), place, decay_s, rate_hz)[place + 1 :]
        height = float(shape @ after / (shape @ shape))
        best = min(best, (float(np.sum((after - height * shape) ** 2)), decay_s, height))
    return best[1], best[2]


def _exactly(sweep: SweepBlocks, beside: SweepBlocks, block: int) -> int:
    """Return at which of a sweep's samples its difference from another, scaled, steps."""
    first, last = max(block - 2, 0), min(block + 3, len(sweep.energy))
    scale = float(db_to_ratio(sweep.drive_dbfs - beside.drive_dbfs))
    like = delayed(beside.samples[first:last].ravel(), sweep.late - beside.late)
    rest = sweep.samples[first:last].ravel() - scale * like
    total, count = np.cumsum(rest), np.arange(1.0, len(rest) + 1.0)
    edge = BLOCK // 2
    before, after = total**2 / count, (total[-1] - total) ** 2 / np.maximum(count[-1] - count, 1.0)
    return first * BLOCK + edge + 1 + int(np.argmax((before + after)[edge:-edge]))


def without_offsets(
    samples: FloatArray, steps: Sequence[OffsetStep], *, rate_hz: int
) -> FloatArray:
    """Return a recording without steps of its zero line."""
    righted = samples.copy()
    for step in steps:
        time_s = np.arange(len(samples) - step.sample) / rate_hz
        righted[step.sample :] -= step.height * np.exp(-time_s / step.decay_s)
    return righted
