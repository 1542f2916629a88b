"""Lengths whose Fourier transform is fast."""

from __future__ import annotations


def fast_length(least: int) -> int:
    """Return the smallest product of twos, threes and fives from ``least`` (1 or more) on."""
    best = 1 << (least - 1).bit_length()
    fives = 1
    while fives < best:
        odd = fives
        while odd < best:
            best = min(best, odd << (-(-least // odd) - 1).bit_length())
            odd *= 3
        fives *= 5
    return best
