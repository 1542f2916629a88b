"""Steps of the recorder's gain: found where one sweep steps against its neighbours, and put right.

A recorder whose gain steps at a moment of one sweep leaves three traces. That sweep steps against
the next quieter and the next louder one, at the same frequency and by the same height; all that
follows is louder or softer by that height; and so is the end marker. A loudspeaker that gives way
in one sweep does so in louder ones too, and not in its marker.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.takes.gain_moved import HOT_COIL_DB, MarkerChange
from distsweep.takes.sweep_blocks import BLOCK, SweepBlocks
from distsweep.units import FloatArray, power_to_db, ratio_to_db

SPAN = 8
"""Blocks on either side of a place between which a step is measured (chosen: 43 ms at 48 kHz)."""

LEAST_STEP_DB = 0.15
"""Least step that is looked for (chosen: half of the smallest that damages a value noticeably)."""

ABOVE_USUAL = 8.0
"""A step is as many times the median of what the same measure shows in the second around it
(chosen: of Gaussian values one in ten million is so large, and compression bends too)."""

USUAL_BLOCKS = 94
"""Blocks on either side from which that median is taken (chosen: half a second at 48 kHz)."""

SAME_PLACE = 3
"""Blocks within which the steps against two neighbours are one (chosen: a step inside a block is
seen at that block or beside it)."""

ABOVE_NOISE = 100.0
"""Both sweeps stand as many times above the silence where a step is looked for, in power (chosen:
what noise adds to a level then moves it by less than 0.05 dB)."""

MOST_STEPS = 4
"""So many of a file's steps, the largest, are held against its marker (chosen: a gain that stepped
more often was turned, and is no step)."""

LIKE_DB, LIKE_SHARE = 0.15, 0.15
"""Two measures of one step agree within the first plus this share of it (chosen: compression moves
the level of neighbouring sweeps by a tenth of a decibel in some milliseconds)."""

MARKER_LIKE_DB, MARKER_LIKE_SHARE = 0.05, 0.05
"""A marker changed like the steps within the first plus this share of them, and its own doubt
(chosen: of 40 simulated steps none missed the marker's change by more than 0.02 dB)."""

OF_HEAT = 0.5
"""A hot coil may explain what the end marker lacks of the steps found, up to this share of them
(chosen: if it explained more, the marker would be no witness)."""


@dataclass(frozen=True)
class GainStep:
    """One step of a recorder's gain.

    Attributes
    ----------
    file, sample : which recording, and its first sample that has the new gain.
    change_db, doubt_db : its height, and the half-width of its 95 % interval.
    sweep : index of the sweep that it fell into; None: into a pause.
    """

    file: int
    sample: int
    change_db: float
    doubt_db: float
    sweep: int | None = None


def find_gain_steps(
    sweeps: Sequence[SweepBlocks], changes: Sequence[MarkerChange | None]
) -> list[GainStep]:
    """Return the steps of the recorder's gain that sweeps and markers agree on, in order.

    Parameters
    ----------
    sweeps : of all files, in the order played.
    changes : of each file's end marker re its start marker; None: no witness, no step.
    """
    if len(sweeps) < 2:
        return []
    ladder = sorted(range(len(sweeps)), key=lambda number: sweeps[number].drive_dbfs)
    seen = list(_steps_in_sweeps([sweeps[number] for number in ladder]))
    found = []
    for file, change in enumerate(changes):
        if change is None:
            continue
        own = [
            GainStep(file, *_exactly(sweeps, ladder, at, block), ladder[at])
            for at, block in seen
            if sweeps[ladder[at]].file == file
        ]
        own = [step for step in own if abs(step.change_db) >= LEAST_STEP_DB]
        found += _agreed(_lasting(own), change)
    return found


def _agreed(steps: list[GainStep], change: MarkerChange) -> list[GainStep]:
    """Return the most steps that together explain a marker's change, in order; none if none do."""
    largest = sorted(steps, key=lambda step: -abs(step.change_db))[:MOST_STEPS]
    for count in range(len(largest), 0, -1):
        for some in itertools.combinations(largest, count):
            if _marker_agrees(some, change):
                return sorted(some, key=lambda step: step.sample)
    return []


def _steps_in_sweeps(ladder: Sequence[SweepBlocks]) -> Iterator[tuple[int, int]]:
    """Yield the place in the ladder, by drive, and the block of each step that neighbours confirm.

    The quietest and the loudest sweep have one neighbour each: what steps there between a sweep
    and its neighbour is theirs, if the neighbour does not step against its other one.
    """
    against = [_steps_between(quieter, louder) for quieter, louder in itertools.pairwise(ladder)]
    last = len(ladder) - 1

    def partner(pair: int, block: int, change_db: float) -> bool:
        return any(
            abs(other - block) <= SAME_PLACE and _like(db, change_db) for other, db in against[pair]
        )

    for pair, steps in enumerate(against):
        for block, change_db in steps:
            above = pair < last - 1 and partner(pair + 1, block, -change_db)
            below = pair > 0 and partner(pair - 1, block, -change_db)
            if above:
                yield pair + 1, block
            elif not below and pair == 0:
                yield 0, block
            if not above and not below and pair == last - 1:
                yield last, block


def _steps_between(quieter: SweepBlocks, louder: SweepBlocks) -> list[tuple[int, float]]:
    """Return block and height of each step of the ratio of two sweeps' levels.

    Four spans A, B | C, D: the step is (C − B) less the slope's part, the mean of B − A and D − C.
    The block at the place itself belongs to none.
    """
    ratio_db = level_ratio_db(quieter, louder)
    count = len(ratio_db) - 3 * SPAN - 1
    if count < 1:
        return []
    a, b, c, d = (
        ratio_db[first : first + count] for first in (0, SPAN, 2 * SPAN + 1, 3 * SPAN + 1)
    )
    step_db = 1.5 * (c - b) - 0.5 * (d - a)
    size = np.abs(step_db)
    high = np.flatnonzero(size > LEAST_STEP_DB)  # those not known are not
    found: list[tuple[int, float]] = []
    for at in high[np.argsort(-size[high])]:
        if any(abs(at + 2 * SPAN - other) <= 4 * SPAN for other, _ in found):
            continue
        usual = np.nanmedian(size[max(at - USUAL_BLOCKS, 0) : at + USUAL_BLOCKS + 1])
        if size[at] > ABOVE_USUAL * usual:
            found.append((int(at) + 2 * SPAN, float(step_db[at])))
    return found


def level_ratio_db(quieter: SweepBlocks, louder: SweepBlocks) -> FloatArray:
    """Return a sweep's gain re another's, over every `SPAN` blocks; NaN where noise is near."""
    energies = [_spans(sweep.energy) for sweep in (quieter, louder)]
    heard = [
        energy > ABOVE_NOISE * SPAN * sweep.noise
        for energy, sweep in zip(energies, (quieter, louder), strict=True)
    ]
    with np.errstate(divide="ignore", invalid="ignore"):
        gain_db = power_to_db(energies[1] / energies[0]) - (louder.drive_dbfs - quieter.drive_dbfs)
    return np.where(heard[0] & heard[1], gain_db, np.nan)


def _spans(energy: FloatArray) -> FloatArray:
    """Return the energy of every `SPAN` blocks."""
    running = np.concatenate([[0.0], np.cumsum(energy)])
    return np.asarray(running[SPAN:] - running[:-SPAN])


def _like(one_db: float, other_db: float) -> bool:
    return abs(one_db - other_db) <= LIKE_DB + LIKE_SHARE * max(abs(one_db), abs(other_db))


def _exactly(
    sweeps: Sequence[SweepBlocks], ladder: Sequence[int], at: int, block: int
) -> tuple[int, float, float]:
    """Return sample, height and doubt of a step near a block of a sweep.

    With y the sweep and x its neighbour, y = a·x before it and b·x after it; for every place both
    are found by least squares, and the place with the least left over is taken.
    """
    sweep = sweeps[ladder[at]]
    first, last = max(block - 2 * SPAN, 0), min(block + 2 * SPAN, len(sweep.energy))
    heard = sweep.samples[first:last].ravel()
    measured = []
    for other in (at - 1, at + 1):
        if not 0 <= other < len(ladder):
            continue
        beside = sweeps[ladder[other]]
        like = delayed(beside.samples[first:last].ravel(), sweep.late - beside.late)
        place, change_db = split_fit(heard, like)
        measured.append((abs(change_db), place, change_db))
    places = [place for _, place, _ in measured]
    changes = [change_db for _, _, change_db in measured]
    doubt_db = max(0.02, 0.5 * (max(changes) - min(changes)))
    sample = sweep.first + first * BLOCK + round(float(np.mean(places)))
    return sample, float(np.mean(changes)), doubt_db


def delayed(signal: FloatArray, samples: float) -> FloatArray:
    """Delay a stretch by a fraction of a sample; it is periodic, so that its ends are spoilt."""
    spectrum = np.fft.rfft(signal)
    turn = np.exp(-2j * np.pi * samples / len(signal) * np.arange(len(spectrum)))
    return np.asarray(np.fft.irfft(spectrum * turn, len(signal)))


def split_fit(heard: FloatArray, like: FloatArray) -> tuple[int, float]:
    """Return the place at which the ratio of two signals steps, and by how much, in dB."""
    power, product = np.cumsum(like**2), np.cumsum(like * heard)
    with np.errstate(divide="ignore", invalid="ignore"):
        before = product**2 / power
        after = (product[-1] - product) ** 2 / (power[-1] - power)
    edge = BLOCK
    best = edge + int(np.argmax((before + after)[edge:-edge]))
    ratio = (product[-1] - product[best]) / (power[-1] - power[best]) / product[best] * power[best]
    return best + 1, float(ratio_to_db(ratio)) if ratio > 0.0 else 0.0


def _lasting(steps: list[GainStep]) -> list[GainStep]:
    """Leave out sweeps that step more than once: a knock, a clip, or a loudspeaker's doing."""
    swept = [step.sweep for step in steps]
    return [step for step in steps if swept.count(step.sweep) == 1]


def _marker_agrees(steps: Sequence[GainStep], change: MarkerChange) -> bool:
    """Tell whether the end marker moved by as much as the steps, but for a hot coil's part."""
    total_db = sum(step.change_db for step in steps)
    largest_db = max(abs(step.change_db) for step in steps)
    lacks_db = total_db - change.change_db
    near_db = change.doubt_db + MARKER_LIKE_DB + MARKER_LIKE_SHARE * largest_db
    if abs(change.change_db) < OF_HEAT * largest_db:
        return False
    return -near_db <= lacks_db <= max(near_db, min(HOT_COIL_DB, OF_HEAT * largest_db))


def put_right(samples: FloatArray, steps: Sequence[GainStep]) -> FloatArray:
    """Return a recording with the steps of its gain taken back; what precedes them is right."""
    righted = samples.copy()
    for step in steps:
        righted[step.sample :] *= 10.0 ** (-step.change_db / 20.0)
    return righted


def doubt_at_db(steps: Sequence[GainStep], file: int, sample: int) -> float:
    """Return how uncertain the level is at a sample: independent doubts of the steps before it."""
    before = [step for step in steps if step.file == file and step.sample <= sample]
    return math.sqrt(sum(step.doubt_db**2 for step in before))
