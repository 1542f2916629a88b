"""Lengths whose Fourier transform is fast, against another library's."""

from __future__ import annotations

import scipy.fft

from distsweep.fast_length import fast_length


def test_the_next_length_is_that_of_scipy() -> None:
    for least in [*range(1, 3000), *range(400_000, 10_000_000, 99_991)]:
        assert fast_length(least) == scipy.fft.next_fast_len(least, real=True), least
