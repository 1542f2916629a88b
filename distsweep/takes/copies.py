"""Blocks of samples that stand in a recording twice, one behind the other.

A recorded sound never repeats itself to the last bit; a buffer that was handed on twice does. A few
samples that are chosen by their value alone are chosen in the copy as well, so that only these need
comparing.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from distsweep.takes.foretold import PREDICTED_FROM, unforetold
from distsweep.units import FloatArray

LEAST_SAMPLES, MOST_SAMPLES = 16, 4200
"""Lengths of blocks that are looked for (chosen: from the shortest that recorders repeat to the
longest, 4096)."""

CHOSEN_OF = 48
"""One sample of so many is compared (chosen: of the blocks of 64 samples 74 % hold one, of those of
256 99 %, for a hundredth of the time that an analysis takes)."""

ALIKE_SAMPLES = 3
"""Samples in a row by which copies are recognised at first (chosen: in 24 bits two are equal
by chance in a million, three never)."""

BLOCK = 1 << 16
"""Samples that are gone through at a time: half a megabyte."""

WHOLE = 0.9
"""A copy equals the block before it over so large a part of its length (chosen: no chance is left,
and a converter's dither at its edges does no harm)."""

SURE_BITS = 64.0
"""Information in equal samples from which they are a copy (chosen: 2⁶⁴ is far above the number
of pairs in any recording)."""

LEAST_BEND = 4.0
"""Least second difference, in steps, of the samples by which a copy is recognised (chosen: what is
quieter is equal by chance)."""

LEAST_STEPS = 1.5
"""Least deviation, in steps of the encoding, of what is not foretold (chosen: rounding itself
has a deviation of 0.3, and what is foretold from rounded samples one of about 0.7)."""

MIXER, WIDE_MIXER = np.uint32(0x9E3779B1), np.uint64(0x9E3779B97F4A7C15)
"""Odd numbers whose multiples spread evenly over 32 and 64 bits: those powers of two over the
golden ratio (Knuth, The Art of Computer Programming 3, 6.4)."""


@dataclass(frozen=True)
class Copy:
    """``samples`` samples from ``place`` on equal those before ``place``."""

    place: int
    samples: int


def find_copies(samples: FloatArray, *, step: float) -> list[Copy]:
    """Return the blocks of a recording that are copies of those right before them.

    Parameters
    ----------
    samples : shape ``(samples,)``.
    step : smallest step of the encoding; in quiet parts coarse steps are equal by chance.
    """
    words = np.ascontiguousarray(samples).view(np.uint64)
    # Block by block, so that what is chosen is read while it is in the processor's cache.
    chosen = [_keys(words, first) for first in range(0, len(words) - ALIKE_SAMPLES, BLOCK)]
    if not chosen:
        return []
    # Key and place in one number: sorting it is several times as fast as sorting places by keys.
    keys = np.sort(np.concatenate(chosen))
    alike = keys[1:] >> np.uint64(32) == keys[:-1] >> np.uint64(32)
    places = (keys & np.uint64(2**32 - 1)).astype(np.int64)
    first, second = places[:-1][alike], places[1:][alike]
    near = (second - first >= LEAST_SAMPLES) & (second - first <= MOST_SAMPLES)
    bend = np.abs(samples[first] - 2.0 * samples[first + 1] + samples[first + 2])
    near &= bend > LEAST_BEND * step
    found: list[Copy] = []
    for early, late in sorted(zip(first[near].tolist(), second[near].tolist(), strict=True)):
        if found and early < found[-1].place + found[-1].samples:
            continue
        copy = _copy_around(samples, early, late - early, step)
        if copy is not None:
            found.append(copy)
    return found


def _keys(words: NDArray[np.uint64], first: int) -> NDArray[np.uint64]:
    """Return a key of every chosen sample of a block and those after it, with its place below."""
    block = words[first : first + BLOCK + ALIKE_SAMPLES]
    places = np.flatnonzero(
        _upper_half(block[:-ALIKE_SAMPLES]) * MIXER < np.uint32(2**32 // CHOSEN_OF)
    )
    # Zeros, and what a clipped or held sample repeats, are no sign of a copy.
    places = places[block[places] != block[places + 1]]
    keys = np.zeros(len(places), dtype=np.uint64)
    for ahead in range(ALIKE_SAMPLES):
        keys = (keys ^ block[places + ahead]) * WIDE_MIXER
        keys ^= keys >> np.uint64(32)
    return np.asarray((keys << np.uint64(32)) | (places + first).astype(np.uint64))


def _upper_half(words: NDArray[np.uint64]) -> NDArray[np.uint32]:
    """Return the upper halves of 64-bit words, whatever the machine's order of bytes is."""
    return words.view(np.uint32)[1 if sys.byteorder == "little" else 0 :: 2]


def _copy_around(samples: FloatArray, early: int, length: int, step: float) -> Copy | None:
    """Return the copy that two equal samples belong to; None if they are equal by chance."""
    low, high = max(early - length, 0), min(early + 3 * length, len(samples) - length)
    unlike = np.flatnonzero(samples[low:high] != samples[low + length : high + length]) + low
    start = int(unlike[unlike < early][-1]) + 1 if np.any(unlike < early) else low
    end = int(unlike[unlike > early][0]) if np.any(unlike > early) else high
    if not WHOLE * length <= end - start < 2 * length:
        return None
    return Copy(start + length, length) if _bits(samples, start, end, step) > SURE_BITS else None


def _bits(samples: FloatArray, start: int, end: int, step: float) -> float:
    """Return how many bits of chance a block holds: what of it the samples before do not foretell.

    A Gaussian variable in steps of its deviation over s carries log2(s·√(2πe)) bits. What stays
    within rounding carries none: a sound without noise repeats itself, once it is rounded.
    """
    before = min(start, max(end - start, 16 * PREDICTED_FROM))
    if before < 2 * PREDICTED_FROM:
        return 0.0
    surprise = unforetold(samples[start - before : end])[-(end - start) :]
    spread = float(np.median(np.abs(surprise))) / 0.6745
    steps = spread / max(step, 2.0**-24 * float(np.max(np.abs(samples[start:end]))))
    if steps < LEAST_STEPS:
        return 0.0
    return len(surprise) * float(np.log2(steps * np.sqrt(2.0 * np.pi * np.e)))
