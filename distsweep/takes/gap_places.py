"""The sample at which a recording jumps: up to it one neighbouring sweep fits, then it fits later.

A block that is lost leaves a step in the sound, which neither the sweep before it shows nor the
samples around it foretell. A block that is repeated is an exact copy, found by equality.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

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

NEAR_S = 0.02
"""Reach around the place where the sweeps part in which the step is looked for (chosen: noise of
the loudspeaker's own makes the place unsure by some periods of what sounds there)."""

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
    copied : whether it is a copy of what stands before it.
    fill : for a lost block, what the neighbouring sweep says was there, shape ``(-samples,)``.
    """

    file: int
    place: int
    samples: int
    copied: bool
    fill: FloatArray


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


def _place(
    lags: Lags, jumps: Sequence[Jump], jump: Jump, recordings: Sequence[Recording]
) -> Gap:
    samples = recordings[jump.file].samples
    stretches = _stretches(lags, jumps, jump, recordings)
    best: tuple[float, int, int, _Stretch] | None = None
    for stretch in stretches:
        for length in range(jump.samples - 2, jump.samples + 3):
            if length == 0:
                continue
            place, cost, gain = _split(stretch, length, inside=jump.between is not None)
            if gain > FITS_BETTER and (best is None or cost < best[0]):
                best = cost, place, length, stretch
    if best is None:
        place = _in_pause(lags, jump, len(samples))
        length, fill = jump.samples, samples[max(place + jump.samples, 0) : place][::-1]
        filter_of = None
    else:
        _, place, length, stretch = best
        filter_of = stretch
        fill = np.empty(0)
    region = (place - round(0.1 * lags.rate_hz), place + round(0.1 * lags.rate_hz))
    if best is None:
        region = _pause_region(lags, jump, len(samples))
    elif jump.between is not None:
        region = (stretch.first, stretch.last)
    if length > 0:
        copy = _copy(samples, length, region)
        if copy is not None:
            return Gap(jump.file, copy[0], copy[1], True, np.empty(0))
        return Gap(jump.file, place, length, False, np.empty(0))
    if filter_of is not None:
        fill = _made(filter_of, length, place, place - length)
    padded = np.zeros(-length)
    padded[: len(fill)] = fill[:-length]
    return Gap(jump.file, place, length, False, padded)


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
            rows.append((end - 1, count - 1, count, False))
        if jump.later is not None:
            rows.append((jump.later, -1, 0, True))
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


def _undisturbed(
    lags: Lags, jumps: Sequence[Jump], row: int, low: int, high: int
) -> int | None:
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
    for first, last, shift in sides:
        first, last = max(first, 0), min(last, len(stretch.samples))
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


def _split(stretch: _Stretch, length: int, *, inside: bool) -> tuple[int, float, float]:
    """Return where a stretch falls best into before and after, its misfit, and the improvement.

    The misfit is that per sample over the power; the improvement is what it is divided by.
    """
    first, last = stretch.first, stretch.last
    gone = max(length, 0)
    if last - first <= gone + TAPS:
        return first, np.inf, 0.0
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
    least = float(misfit[place])
    gain = float(outside / (least + 1e-300))
    return first + place, least / float(np.sum(heard**2) + 1e-300), gain


def _step_near(samples: FloatArray, first: int, place: int, last: int, misfit: FloatArray) -> int:
    """Return the step in the sound nearest to a place, re ``first``; the place if there is none."""
    # 48 samples a millisecond: the reach is some periods of what sounds in the band's middle.
    reach = max(1024, PREDICTED_FROM * 8)
    low = max(first + place - reach, PREDICTED_FROM)
    high = min(first + place + reach, last, len(samples))
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
    return best if misfit[best] <= 1.5 * misfit[place] + 1e-300 else place


def _in_pause(lags: Lags, jump: Jump, count: int) -> int:
    first, last = _pause_region(lags, jump, count)
    return (first + last) // 2


def _pause_region(lags: Lags, jump: Jump, count: int) -> tuple[int, int]:
    """Return the pause in which a jump lies: from the end of a sweep to the start of the next."""
    end = len(lags.passes) if jump.later is None else jump.later
    first, last = 0, count
    if end and lags.passes[end - 1].file == jump.file:
        first = int(lags.places[end - 1, -1] - lags.starts[-1]) + lags.sweep_samples
    if jump.later is not None:
        last = int(np.median(lags.places[jump.later, :3] - lags.starts[:3]))
    if first == 0:
        first = max(0, last - round(0.5 * lags.rate_hz))
    if last == count:
        last = min(count, first + round(0.5 * lags.rate_hz))
    return min(first, last), max(first, last)


def _copy(samples: FloatArray, length: int, region: tuple[int, int]) -> tuple[int, int] | None:
    """Return place and length of a block that is a copy of what stands before it."""
    for offset in (0, 1, -1, 2, -2):
        size = length + offset
        if size < 1:
            continue
        first, last = max(region[0] - size, size), min(region[1] + size, len(samples))
        if last <= first:
            continue
        same = samples[first:last] == samples[first - size : last - size]
        edges = np.flatnonzero(np.diff(np.concatenate([[False], same, [False]])))
        runs = edges.reshape(-1, 2)
        if not len(runs):
            continue
        best = runs[np.argmax(runs[:, 1] - runs[:, 0])]
        start, end = first + int(best[0]), first + int(best[1])
        enough = end - start >= max(SAME_SHARE * size, LEAST_SAME)
        if enough and np.any(np.diff(samples[start:end])):
            return start, size
    return None
