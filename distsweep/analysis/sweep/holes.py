"""Which samples exactly of a recording were muted, clicked, or repeat a block."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.sweep.bridging import stretch
from distsweep.analysis.sweep.explained import Carriers, explain
from distsweep.flag_runs import runs_of
from distsweep.stimulus.sweep import Sweep
from distsweep.units import BoolArray, FloatArray, IntArray

LEAST_MUTED = 8
"""Equal samples in a row that may be a muted block (chosen: fewer are a click at most)."""

MOVES_STEPS = 3.0
"""Around a muted block a signal moves by more than so many steps of its encoding a sample (chosen:
rounding alone makes neighbours equal where the next are one step away)."""

NEAR_PEAK = 0.999
"""Equal samples this near the pass's largest are clipped, not muted (chosen: 0.01 dB)."""

SURPRISE, BESIDE = 6.0, 3.5
"""Innovations of so many standard deviations are a click's; beside one, of the second as many too
(chosen: of normally distributed noise one sample in 5e8 passes 6, one in 2000 passes 3.5)."""

MARGIN = 2
"""Samples taken with a click on either side (chosen: where a converter's filter rings longer,
the innovations show it)."""

TOGETHER = 48
"""Samples between two peaks of one click (chosen: 1 ms at 48 kHz, half a period of 500 Hz)."""

MOST_ROUNDS = 6
"""So many times clicks are looked for again once the largest are taken out (chosen: two or three
are the rule)."""

SEARCHED_S = 0.02
"""Time around a moment in which the samples are looked for (chosen: the frame of a map)."""

COPIED = 16
"""Samples that equal others before them exactly, and are a copy (chosen: where the last 8 bits
move, four of them already agree by chance in one of 4e9 places only)."""

LONGEST_COPIED = 4096
"""Samples of the longest block that is looked for (chosen: 85 ms at 48 kHz, as buffers are)."""


@dataclass(frozen=True)
class Hole:
    """Samples from ``first`` until ``last`` that do not hold what was heard.

    ``kind`` is "muted", "click" or "repeated" (they hold what stands ``repeats`` before them).
    """

    kind: str
    first: int
    last: int
    repeats: int = 0


def find_holes(
    signal: FloatArray,
    moments: Sequence[float],
    *,
    sweep: Sweep,
    order: int,
    step: float,
    clicked: Sequence[float] = (),
) -> list[Hole]:
    """Return what is wrong with a pass around some moments, sorted; clicks around ``clicked`` only.

    Parameters
    ----------
    moments : seconds from the pass's first sample, right to SEARCHED_S.
    sweep : as recorded. ``step`` is the smallest step of the recording's encoding.
    """
    marked = np.zeros(len(signal), dtype=bool)
    holes: list[Hole] = []

    def mark(found: Sequence[Hole]) -> None:
        for hole in found:
            if not np.all(marked[hole.first : hole.last]):
                holes.append(hole)
                marked[hole.first : hole.last] = True

    mark(muted_runs(signal, step=step))
    searched = round(SEARCHED_S * sweep.rate_hz)

    def spans(of: Sequence[float]) -> Iterator[tuple[int, int]]:
        for at in sorted(of):
            place = round(at * sweep.rate_hz)
            yield max(0, place - searched), min(place + searched, len(signal))

    for first, last in spans(moments):
        mark(repeated_block(signal, first, last))
    for first, last in spans(clicked):
        mark(_clicks(signal, first, last, marked, sweep=sweep, order=order))
    return sorted(holes, key=lambda hole: hole.first)


def muted_runs(signal: FloatArray, *, step: float) -> list[Hole]:
    """Return the stretches of equal samples that a moving signal cannot have had.

    What is clipped is none of them, nor what rounding has made equal.
    """
    equal = signal[1:] == signal[:-1]
    long = equal
    for shift in (1, 2):
        long = long[: len(long) - shift] & long[shift:]
    if len(long) > LEAST_MUTED:
        long = long[:-3] & long[3:]  # seven equal pairs: eight equal samples
    if not np.any(long):
        return []
    edges = np.diff(np.concatenate([[0], equal.astype(np.int8), [0]]))
    firsts, lasts = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) + 1
    peak = NEAR_PEAK * float(np.max(np.abs(signal)))
    holes = []
    for first, last in zip(firsts.tolist(), lasts.tolist(), strict=True):
        if last - first < LEAST_MUTED or abs(signal[first]) >= peak:
            continue
        before = signal[max(0, first - 2 * LEAST_MUTED) : first]
        after = signal[last : last + 2 * LEAST_MUTED]
        if min(_moves(before), _moves(after)) <= MOVES_STEPS * step:
            continue
        if _jump(signal, first, last) > MOVES_STEPS * step:
            held = 0 if signal[first] == 0.0 else 1  # the first of held samples was heard
            holes.append(Hole("muted", first + held, last))
    return holes


def repeated_block(signal: FloatArray, first: int, last: int) -> list[Hole]:
    """Return the longest block in a span that holds exactly what stands before it, if any."""
    start = max(0, first - LONGEST_COPIED)
    stop = min(len(signal), last + LONGEST_COPIED)
    part = signal[start:stop]
    longest = Hole("repeated", 0, 0)
    for lag in _common_lags(part):
        for run in runs_of(part[lag:] == part[: len(part) - lag]):
            begins, ends = (int(lag) + edge for edge in run)
            heard = part[begins:ends]
            moving = np.count_nonzero(np.diff(heard)) >= COPIED
            if moving and ends - begins > longest.last - longest.first:
                longest = Hole("repeated", start + begins, start + ends, int(lag))
    touched = longest.first < last and longest.last > first
    return [longest] if touched and longest.last - longest.first >= COPIED else []


def _common_lags(part: FloatArray) -> IntArray:
    """Return by how many samples words of COPIED/2 samples stand after earlier ones like them.

    Words are compared by exact sums of their bits, each times an odd number, modulo 2⁶⁴.
    """
    length = COPIED // 2
    bits = np.ascontiguousarray(part).view(np.uint64)
    odd = 2 * np.random.default_rng(0).integers(1, 2**62, length, dtype=np.uint64) + np.uint64(1)
    count = len(part) - length + 1
    words = np.zeros(count, dtype=np.uint64)
    moves = np.zeros(count, dtype=np.int64)
    for k in range(length):
        words += odd[k] * bits[k : k + count]
        if k:
            moves += part[k : k + count] != part[k - 1 : k - 1 + count]
    moving = np.flatnonzero(moves >= length // 2)
    order = moving[np.argsort(words[moving], kind="stable")]
    alike = np.flatnonzero(words[order[1:]] == words[order[:-1]])
    apart = order[alike + 1] - order[alike]
    lags, times = np.unique(apart[apart <= LONGEST_COPIED], return_counts=True)
    return np.asarray(lags[times >= length])


def _moves(part: FloatArray) -> float:
    """Return the largest step between neighbours."""
    return float(np.max(np.abs(np.diff(part)), initial=0.0))


def _jump(signal: FloatArray, first: int, last: int) -> float:
    """Return the larger of the steps into a stretch and out of it."""
    steps = [abs(signal[first] - signal[first - 1])] if first > 0 else []
    steps += [abs(signal[last] - signal[last - 1])] if last < len(signal) else []
    return float(max(steps, default=0.0))


def _grown(surprise: FloatArray, least: float) -> BoolArray:
    """Return where a surprise is large, with what is large beside it, and a margin."""
    near = np.ones(2 * MARGIN + 1)
    large = surprise >= least
    grown = large
    while True:
        beside = np.convolve(large, near, "same") > 0
        large = large | (beside & (surprise >= BESIDE))
        if np.array_equal(large, grown):
            return np.asarray(np.convolve(large, near, "same") > 0)
        grown = large


def _clicks(
    signal: FloatArray, first: int, last: int, marked: BoolArray, *, sweep: Sweep, order: int
) -> list[Hole]:
    """Return the samples that neither harmonics nor noise explain, in a span."""
    inside = marked.copy()
    clicked = np.zeros(len(signal), dtype=bool)
    for _ in range(MOST_ROUNDS):
        start, stop = stretch(first, last, inside, sweep)
        heard = slice(max(start, 0), min(stop, len(signal)))
        padding = (heard.start - start, stop - heard.stop)
        part, unknown = np.pad(signal[heard], padding), np.pad(inside[heard], padding)
        carriers = Carriers(sweep, start, stop, order=order)
        surprise = explain(part, unknown, carriers).surprise[first - start : last - start]
        spread = float(np.median(np.abs(surprise[surprise != 0.0]))) / 0.6745
        surprise = np.abs(surprise) / max(spread, 1e-9)
        largest = float(np.max(surprise, initial=0.0))
        if largest < SURPRISE:
            break
        # A click upsets the explanation around it: first the largest, then what is left.
        found = _grown(surprise, max(SURPRISE, 0.2 * largest))
        clicked[first:last] |= found
        inside[first:last] |= found
    places = np.flatnonzero(clicked)
    if not len(places):
        return []
    # What rings on between its peaks is one click.
    apart = np.flatnonzero(np.diff(places) > TOGETHER)
    firsts = places[np.concatenate([[0], apart + 1])]
    lasts = places[np.concatenate([apart, [len(places) - 1]])] + 1
    return [Hole("click", int(a), int(b)) for a, b in zip(firsts, lasts, strict=True)]
