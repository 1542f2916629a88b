"""The sample at which a recording jumps: up to it one neighbouring sweep fits, then it fits later.

A block that is lost leaves a step in the sound, which neither the sweep before it shows nor the
samples around it foretell. A block that is repeated is an exact copy, found by equality.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.flag_runs import runs_of
from distsweep.takes.foretold import PREDICTED_FROM, unforetold
from distsweep.takes.gaps import Jump
from distsweep.takes.lags import Lags
from distsweep.takes.recording import Recording
from distsweep.units import FloatArray

TAPS = 16
"""Taps of the filter that makes one sweep of another (chosen: gain, a fraction of a sample, and a
slope over the third of an octave that is looked at)."""

STEP_STANDS_OUT = 8.0
"""A sample that is so many times further from what was foretold than most is a step (chosen: of a
million samples of Gaussian noise none is 5.3 times the median away)."""

FITS_BETTER = 1.2
"""A jump lies inside a stretch if that explains it by so much better than one outside does (chosen:
noise makes the two alike to a per cent)."""

LENGTH_DOUBT = 2
"""Samples by which a block may be longer or shorter than the lags make it (chosen: lags are known
to a sample)."""

NEAR_SAMPLES = 1024
"""Reach around the place where the sweeps part in which the step is looked for (chosen: 20 ms, some
periods of what sounds in the band's middle)."""

WELL_ENOUGH = 1.5
"""A step is the place if the two parts fit up to so much worse there (chosen: noise moves the best
place away from the step, and makes little difference)."""

END_PAUSE_S = 0.5
"""What counts as the pause before a file's first sweep, and after its last (chosen: the sound is
down, the markers are further off)."""

SAME_SHARE, LEAST_SAME = 0.9, 12
"""A block is a copy if so large a part of it, and so many samples, equal those before (chosen: no
twelve samples of a recorded sound are the same by chance)."""


@dataclass(frozen=True)
class Gap:
    """A block that a recording lacks, or holds twice.

    Attributes
    ----------
    file : which recording, counted from 0.
    place : the first sample after the jump: what is lost belongs before it, what is too much
        starts with it.
    samples : length of the block; negative if it is lost.
    sure : whether it is known to be a block.
    within : where it may be (first sample, and the one after the last), if ``place`` is a guess.
    fill : for a lost block, what the neighbouring sweep says was there, shape ``(-samples,)``.
    """

    file: int
    place: int
    samples: int
    sure: bool
    fill: FloatArray
    within: tuple[int, int] | None = None


@dataclass(frozen=True)
class _Stretch:
    """A part of a sweep in which a jump may lie, and a sweep to compare it with.

    ``shift`` is how much later, in samples, this sweep stands in its recording than the other in
    its own, before the jump.
    """

    samples: FloatArray
    other: FloatArray
    first: int
    last: int
    shift: int
    clean_before: int
    clean_after: int


def place_gaps(lags: Lags, jumps: Sequence[Jump], recordings: Sequence[Recording]) -> list[Gap]:
    """Return the exact place of every jump, in the same order."""
    return [_place(lags, jumps, jump, recordings) for jump in jumps]


def _place(lags: Lags, jumps: Sequence[Jump], jump: Jump, recordings: Sequence[Recording]) -> Gap:
    samples = recordings[jump.file].samples
    stretches = _stretches(lags, jumps, jump, recordings)
    pause = _pause(lags, jump, len(samples))
    if jump.samples > 0:
        first = min([pause[0], *(one.first for one in stretches)])
        last = max([pause[1], *(one.last for one in stretches)])
        if jump.later is None:
            last = len(samples)
        elif jump.between is None and _is_first(lags, jump.later):
            first = 0
        copy = _copy(samples, jump.samples, first, last)
        if copy is not None:
            return Gap(jump.file, copy[0], copy[1], True, np.empty(0))
    place, length, fits_in = sum(pause) // 2, jump.samples, None
    best = FITS_BETTER
    for stretch in stretches:
        for near in range(jump.samples - LENGTH_DOUBT, jump.samples + LENGTH_DOUBT + 1):
            split, gain = _split(stretch, near, inside=jump.between is not None)
            if gain > best:
                best, place, length, fits_in = gain, split, near, stretch
    if length > 0:
        return Gap(jump.file, place, length, jump.sure, np.empty(0))
    within = None
    if fits_in is None:
        within = _silence(lags, jump, pause, len(samples))
        # In a pause there is only noise, and that before it is as good as any.
        fill = np.resize(samples[max(place + length, 0) : place][::-1], -length)
    else:
        fill = _made(fits_in, length, place, place - length)
    return Gap(jump.file, place, length, jump.sure, fill, within)


def _stretches(
    lags: Lags, jumps: Sequence[Jump], jump: Jump, recordings: Sequence[Recording]
) -> list[_Stretch]:
    """Return the parts of sweeps in which a jump may lie."""
    starts, widths, count = lags.starts, lags.widths, len(lags.starts)
    length = lags.sweep_samples
    rows = []
    if jump.between is not None and jump.later is not None:
        low, high = jump.between
        rows.append((jump.later, low, high, False))
    else:
        end = len(lags.passes) if jump.later is None else jump.later
        if end and lags.passes[end - 1].file == jump.file:
            rows.append((end - 1, jump.known[0], count, False))
        if jump.later is not None:
            rows.append((jump.later, -1, jump.known[1], True))
    found = []
    for row, low, high, at_start in rows:
        other = _undisturbed(lags, jumps, row, low, high)
        if other is None:
            continue
        frames = range(high, min(high + 3, count)) if at_start else range(max(low - 2, 0), low + 1)
        shifts = [lags.places[row, k] - lags.places[other, k] for k in frames]
        shift = round(float(np.median(shifts))) - (jump.samples if at_start else 0)
        zero = int(np.median([lags.places[other, k] - starts[k] for k in frames])) + shift
        first = zero + (0 if low < 0 else int(starts[low]))
        last = zero + jump.samples
        last += length if high == count else int(starts[high] + widths[high])
        width = int(widths[max(low, 0)])
        found.append(
            _Stretch(
                recordings[jump.file].samples,
                recordings[lags.passes[other].file].samples,
                max(first, 0),
                min(last, len(recordings[jump.file].samples)),
                shift,
                clean_before=0 if low < 0 else width,
                clean_after=0 if high == count else width,
            )
        )
    return found


def _undisturbed(lags: Lags, jumps: Sequence[Jump], row: int, low: int, high: int) -> int | None:
    """Return the nearest other sweep in which nothing jumps between two frames."""
    count = len(lags.starts)

    def disturbed(other: int) -> bool:
        for jump in jumps:
            if jump.between is not None and jump.later == other:
                if jump.between[0] <= high and low <= jump.between[1]:
                    return True
            elif jump.between is None:
                after = len(lags.passes) if jump.later is None else jump.later
                if (low < 0 and after == other) or (high == count and after == other + 1):
                    return True
        return False

    others = sorted(set(range(len(lags.passes))) - {row}, key=lambda n: (abs(n - row), n))
    return next((other for other in others if not disturbed(other)), None)


def _other(stretch: _Stretch, first: int, last: int, shift: int) -> FloatArray:
    """Return the other sweep's samples for a stretch of this one, with the taps' margin, rows."""
    half = TAPS // 2
    start, end = first - shift - half, last - shift + half
    part = np.zeros(end - start)
    inside = stretch.other[max(start, 0) : max(end, 0)]
    part[max(-start, 0) : max(-start, 0) + len(inside)] = inside
    return np.lib.stride_tricks.sliding_window_view(part, TAPS + 1)[: last - first, :TAPS]


def _filter(stretch: _Stretch, length: int) -> FloatArray:
    """Return the filter that makes this sweep of the other, from what surely is before or after."""
    rows, heard = [], []
    sides = []
    if stretch.clean_before:
        sides.append((stretch.first - stretch.clean_before // 2,
                      stretch.first + stretch.clean_before // 4, stretch.shift))  # fmt: skip
    if stretch.clean_after:
        sides.append((stretch.last - stretch.clean_after // 4,
                      stretch.last + stretch.clean_after // 2, stretch.shift + length))  # fmt: skip
    for begins, ends, shift in sides:
        first, last = max(begins, 0), min(ends, len(stretch.samples))
        if last - first > TAPS:
            rows.append(_other(stretch, first, last, shift))
            heard.append(stretch.samples[first:last])
    if not rows:
        return np.zeros(TAPS)
    matrix, wanted = np.concatenate(rows), np.concatenate(heard)
    normal = matrix.T @ matrix
    normal[np.diag_indices(TAPS)] += 1e-7 * np.trace(normal) + 1e-300
    return np.asarray(np.linalg.solve(normal, matrix.T @ wanted))


def _made(stretch: _Stretch, length: int, first: int, last: int) -> FloatArray:
    """Return what the other sweep makes expected at places of this one before the jump."""
    return np.asarray(_other(stretch, first, last, stretch.shift) @ _filter(stretch, length))


def _split(stretch: _Stretch, length: int, *, inside: bool) -> tuple[int, float]:
    """Return where a stretch falls best into before and after, and by how much it fits better."""
    first, last = stretch.first, stretch.last
    gone = max(length, 0)
    if last - first <= gone + TAPS:
        return first, 0.0
    taps = _filter(stretch, length)
    heard = stretch.samples[first:last]
    before = (heard - _other(stretch, first, last, stretch.shift) @ taps) ** 2
    after = (heard - _other(stretch, first, last, stretch.shift + length) @ taps) ** 2
    up_to = np.concatenate([[0.0], np.cumsum(before)])
    since = np.concatenate([np.cumsum(after[::-1])[::-1], [0.0]])
    # What is too much fits neither: it is left out of the sum.
    misfit = up_to[: len(up_to) - gone] + since[gone:]
    place = int(np.argmin(misfit))
    place = _step_near(stretch.samples, first, place, last, misfit)
    outside = since[gone] if not stretch.clean_before else up_to[-1 - gone]
    if inside:
        outside = min(since[gone], up_to[-1 - gone])
    return first + place, float(outside / (misfit[place] + 1e-300))


def _step_near(samples: FloatArray, first: int, place: int, last: int, misfit: FloatArray) -> int:
    """Return the step in the sound nearest to a place, re ``first``; the place if there is none."""
    low = max(first + place - NEAR_SAMPLES, PREDICTED_FROM)
    high = min(first + place + NEAR_SAMPLES, last, len(samples))
    part = samples[low - PREDICTED_FROM : high]
    if high - low < 4 * PREDICTED_FROM:
        return place
    surprise = np.abs(unforetold(part))
    usual = float(np.median(surprise))
    ahead = np.arange(low, high) - first
    allowed = (ahead >= 0) & (ahead < len(misfit))
    stands_out = allowed & (surprise > STEP_STANDS_OUT * usual)
    if not np.any(stands_out):
        return place
    places = ahead[stands_out]
    # The first of a step's samples: those after it are unforeseen because of it.
    starts = places[np.concatenate([[True], np.diff(places) > PREDICTED_FROM])]
    best = int(starts[np.argmin(misfit[starts])])
    return best if misfit[best] <= WELL_ENOUGH * misfit[place] + 1e-300 else place


def _silence(lags: Lags, jump: Jump, pause: tuple[int, int], count: int) -> tuple[int, int]:
    """Return all of the pause in which a jump may lie, to the file's ends."""
    if jump.later is None:
        return pause[0], count
    return (0 if jump.between is None and _is_first(lags, jump.later) else pause[0]), pause[1]


def _is_first(lags: Lags, row: int) -> bool:
    return row == 0 or lags.passes[row - 1].file != lags.passes[row].file


def _pause(lags: Lags, jump: Jump, count: int) -> tuple[int, int]:
    """Return the pause in which a jump may lie: from a sweep's end to the next one's start.

    Half a second of it at a file's ends; of a jump within a sweep, the frames around it.
    """
    if jump.between is not None and jump.later is not None:
        zero = int(lags.places[jump.later, jump.between[0]] - lags.starts[jump.between[0]])
        last = min(jump.between[1], len(lags.starts) - 1)
        end = zero + int(lags.starts[last] + lags.widths[last]) + max(jump.samples, 0)
        return zero + int(lags.starts[jump.between[0]]), min(end, count)
    some = round(END_PAUSE_S * lags.rate_hz)
    before = [row for row, one in enumerate(lags.passes) if one.file == jump.file]
    end = before[-1] + 1 if jump.later is None else jump.later
    starts, ends = [], []
    if end and lags.passes[end - 1].file == jump.file:
        ends.append(int(lags.places[end - 1, -1] - lags.starts[-1]) + lags.sweep_samples)
    if jump.later is not None:
        starts.append(int(np.median(lags.places[jump.later, :3] - lags.starts[:3])))
    first = ends[0] if ends else starts[0] - some
    last = starts[0] if starts else ends[0] + some
    first, last = sorted((min(max(first, 0), count), min(max(last, 0), count)))
    return first, last


def _copy(samples: FloatArray, length: int, first: int, last: int) -> tuple[int, int] | None:
    """Return place and length of a block that is a copy of what stands before it."""
    for size in sorted(
        range(max(1, length - LENGTH_DOUBT), length + LENGTH_DOUBT + 1),
        key=lambda size: abs(size - length),
    ):
        low, high = max(first - size, size), min(last + size, len(samples))
        if high <= low:
            continue
        same = samples[low:high] == samples[low - size : high - size]
        runs = runs_of(same)
        if not runs:
            continue
        start, end = (low + edge for edge in max(runs, key=lambda run: run[1] - run[0]))
        enough = end - start >= max(SAME_SHARE * size, LEAST_SAME)
        if enough and np.any(np.diff(samples[start:end])):
            return int(start), size
    return None
