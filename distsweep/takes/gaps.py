"""Blocks of samples that a recording lost or holds twice, told from when its sweeps arrive.

From a lost block on everything arrives earlier by as many samples: all higher frequencies of that
sweep, all later sweeps, and the end marker. What a loudspeaker does to a sweep comes back with the
next frequency or the next sweep, or grows slowly from frequency to frequency.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.takes.lag_stretches import Stretch, clock_wanders, lag_stretches
from distsweep.takes.lags import Lags
from distsweep.units import FloatArray

SKIPPED_PERIODS = 1.5
"""Where the clock wanders, a jump within a sweep is more than so many periods (chosen: the sweep
that it bends is most like the one before at a lag that may be a period off)."""

SHARP = 3.0
"""A jump is so many times what neighbouring frames may differ by (chosen: where the clock wanders,
the frame that a jump falls into is not known better)."""

WANDER_RATE = 7e-4
"""A clock that wanders changes its rate by less; what a pause is too short or long by is a block
only if it is more (chosen: 200 µs to and fro in 2 s are 630 ppm)."""

SURE_SAMPLES = 64
"""A pause that is too short or long by so much is told of, though nothing else confirms it (chosen:
a clock that changes its rate by 100 ppm moves the sweep after it by 20 to 50)."""

LEAST_SAMPLES = 8.0
"""Least jump of the clock that is a block (chosen: recorders lose 16 samples or more, and the jump
is known to a sample or two)."""

SAME_CLOCK_SAMPLES = 2.0
"""Intervals agree with one drift within this (chosen: each is known to half a sample, markers to
one)."""


@dataclass(frozen=True)
class Jump:
    """A place in a take from which on everything arrives later, or earlier.

    Attributes
    ----------
    file : which recording, counted from 0.
    later : row of `Lags.passes` of the sweep that is heard after it, or while it happens; None
        after a file's last sweep.
    between : the last frame before and the first after it, of that sweep; None where it happened
        between two sweeps, or in frames at their ends whose lags are not known.
    known : the last frame before it that is known, of the sweep before, and the first after it, of
        the later one.
    sure : False where a clock that changed its rate may have done the same.
    samples : by how much everything arrives later; negative after a lost block.
    """

    file: int
    later: int | None
    between: tuple[int, int] | None
    samples: int
    known: tuple[int, int] = (0, 0)
    sure: bool = True


@dataclass(frozen=True)
class _Interval:
    """The time between two sweeps, or around a file's sweeps from marker to marker.

    ``later`` is None for the latter; ``lag`` is what is left of it without the jumps in sweeps.
    """

    file: int
    later: int | None
    samples: float
    lag: float


def find_jumps(lags: Lags, marker_lags: Sequence[tuple[float, float] | None]) -> list[Jump]:
    """Return where the clock of the recordings jumps, in the order played.

    ``marker_lags`` are, for each file, the distance of its markers as played, and by how much
    further apart they were recorded, in samples; None where one was not found.
    """
    stretches = [lag_stretches(lags, row) for row in range(len(lags.passes))]
    inside = _jumps_inside(lags, stretches, marker_lags)
    intervals = _intervals(lags, stretches, inside, marker_lags)
    drift, agree = _drift(intervals)
    wanders = any(clock_wanders(stretches[row]) for row in range(1, len(stretches)))
    jumps = list(inside)
    for interval in intervals:
        samples = round(interval.lag - drift * interval.samples)
        least = LEAST_SAMPLES + (WANDER_RATE * interval.samples if wanders else 0.0)
        if abs(samples) >= least:
            later = interval.later
            if later is None:
                later = _first_of_file(lags, stretches, interval.file, samples)
            known = _known(lags, stretches, later)
            sure = abs(samples) >= SURE_SAMPLES or (interval.later is not None and agree > 1)
            jumps.append(Jump(interval.file, later, None, samples, known, sure))
    end = len(lags.passes)
    return sorted(
        jumps,
        key=lambda jump: (
            jump.file,
            end if jump.later is None else jump.later,
            (-1, -1) if jump.between is None else jump.between,
        ),
    )


def _known(
    lags: Lags, stretches: Sequence[Sequence[Stretch]], later: int | None
) -> tuple[int, int]:
    """Return the highest frame known of the sweep before, and the lowest of the later one.

    The first sweep's own lags, re the sweep as played, tell nothing: the room is in them.
    """
    rows, count = len(stretches), len(lags.starts)
    after = rows if later is None else later
    lasts = [
        stretches[row][-1].last for row in (after - 1, after) if 1 <= row < rows if stretches[row]
    ]
    firsts = [
        stretches[row][0].first for row in (after, after + 1) if 1 <= row < rows if stretches[row]
    ]
    return min(lasts, default=count - 1), max(firsts, default=0)


def _jumps_inside(
    lags: Lags,
    stretches: Sequence[Sequence[Stretch]],
    marker_lags: Sequence[tuple[float, float] | None],
) -> list[Jump]:
    """Return the jumps within sweeps.

    One in a sweep is seen twice: in its own lags, and reversed in those of the next sweep.
    """
    found: dict[int, list[Jump]] = {row: [] for row in range(len(stretches))}
    for row in range(1, len(stretches)):
        before = list(found[row - 1])
        for low, high in zip(stretches[row], stretches[row][1:], strict=False):
            step = high.begins - low.ends
            undone = [jump for jump in before if _same_place(jump, low, high)]
            step += sum(jump.samples for jump in undone)
            before = [jump for jump in before if jump not in undone]
            least = max(LEAST_SAMPLES, SHARP * high.steady)
            if clock_wanders([low, high]):
                least += SKIPPED_PERIODS * lags.rate_hz / float(lags.frequency_hz[high.first])
            if abs(step) < least:
                continue
            here, between = row, (low.last, high.first)
            if row == 1 and _was_before(lags, stretches, marker_lags, low, high):
                here, step = 0, -step
            elif high.first == len(lags.starts) - 1 and _in_last_frame(found, row, low, step):
                here, step, between = row - 1, -step, (high.first, high.first + 1)
            file = lags.passes[here].file
            found[here].append(Jump(file, here, between, round(step)))
    return [jump for row in sorted(found) for jump in found[row]]


def _same_place(jump: Jump, low: Stretch, high: Stretch) -> bool:
    assert jump.between is not None
    return jump.between[0] <= high.first and low.last <= jump.between[1]


def _in_last_frame(found: dict[int, list[Jump]], row: int, low: Stretch, step: float) -> bool:
    """Tell whether a step in a sweep's last frame happened in the sweep before.

    There most of that frame may have passed, so that its lag shows nothing; but then all of this
    sweep, up to its last frame, is as late as the step is large.
    """
    late = low.lag - sum(jump.samples for jump in found[row - 1])
    return abs(late + step) < abs(late)


def _was_before(
    lags: Lags,
    stretches: Sequence[Sequence[Stretch]],
    marker_lags: Sequence[tuple[float, float] | None],
    low: Stretch,
    high: Stretch,
) -> bool:
    """Tell whether a step between the first two sweeps happened in the first.

    Then the third is unlike the second nowhere; without a third the markers tell.
    """
    if len(stretches) > 2:
        steps = zip(stretches[2], stretches[2][1:], strict=False)
        step = high.lag - low.lag
        undone = [b.lag - a.lag for a, b in steps if a.last <= high.first and low.last <= b.first]
        return not any(abs(other + step) < LEAST_SAMPLES for other in undone)
    file = lags.passes[1].file
    markers = marker_lags[file]
    if lags.passes[0].file != file or markers is None:
        return abs(high.lag) < abs(low.lag)
    played = lags.passes[1].start_sample - lags.passes[0].start_sample
    drifts = low.lag / played, high.lag / played
    sums = high.lag - low.lag, low.lag - high.lag
    misses = [
        abs(markers[1] - drift * markers[0] - total)
        for drift, total in zip(drifts, sums, strict=True)
    ]
    return misses[1] < misses[0]


def _intervals(
    lags: Lags,
    stretches: Sequence[Sequence[Stretch]],
    inside: Sequence[Jump],
    marker_lags: Sequence[tuple[float, float] | None],
) -> list[_Interval]:
    """Return how long the times between sweeps were, jumps within sweeps taken out."""
    intervals = []
    between: dict[int, list[_Interval]] = {}
    for row in range(1, len(lags.passes)):
        now, before = lags.passes[row], lags.passes[row - 1]
        if now.file != before.file or not stretches[row]:
            continue
        lowest = stretches[row][0]
        # Jumps of the sweep before that lie above the lowest frame come before this one's.
        passed = sum(
            jump.samples
            for jump in inside
            if jump.later == row - 1 and jump.between is not None and jump.between[1] > lowest.first
        )
        played = float(now.start_sample - before.start_sample)
        interval = _Interval(now.file, row, played, lowest.lag - passed)
        between.setdefault(now.file, []).append(interval)
        intervals.append(interval)
    for file, markers in enumerate(marker_lags):
        if markers is None or not any(one.file == file for one in lags.passes):
            continue
        rest, lag = markers
        lag -= sum(jump.samples for jump in inside if jump.file == file)
        for interval in between.get(file, []):
            rest, lag = rest - interval.samples, lag - interval.lag
        intervals.append(_Interval(file, None, rest, lag))
    return intervals


def _drift(intervals: Sequence[_Interval]) -> tuple[float, int]:
    """Return the drift of the clock, samples a sample, and how many intervals agree with it.

    It is what most agree with; of two equally good ones the smaller, as a clock drifts by less than
    a block moves.
    """
    if not intervals:
        return 0.0, 0
    lags = np.array([one.lag for one in intervals])
    times = np.array([one.samples for one in intervals])
    agree = np.abs(lags - (lags / times)[:, None] * times) < SAME_CLOCK_SAMPLES
    best = max(range(len(lags)), key=lambda n: (np.sum(agree[n]), -abs(lags[n] / times[n])))
    drift = float(np.sum(lags[agree[best]]) / np.sum(times[agree[best]]))
    return drift, int(np.sum(agree[best]))


def _first_of_file(
    lags: Lags, stretches: Sequence[Sequence[Stretch]], file: int, samples: int
) -> int | None:
    """Return a file's first sweep if it arrives late by about as many samples; else None."""
    row = next(row for row, one in enumerate(lags.passes) if one.file == file)
    late = _late(lags, row)
    return row if abs(late - samples) < abs(late) else None


def _late(lags: Lags, row: int) -> float:
    """Return by how much a file's first sweep arrives later than its start marker says."""
    first_lags: FloatArray = lags.lags[row]
    if row:
        # Later files are compared with the file before; the sum goes back to the sweep itself.
        first_lags = np.sum(lags.lags[: row + 1], axis=0)
    marked = (lags.frequency_hz >= 400.0) & (lags.frequency_hz <= 3000.0)
    return float(np.median(first_lags[marked] if np.any(marked) else first_lags))
