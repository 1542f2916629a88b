"""The array types of this room, and the lengths its Fourier transforms run at."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

REFERENCE_PRESSURE_PA = 20e-6  # IEC 61672-1: 0 dB SPL is 20 µPa RMS.


def fast_length(count: int) -> int:
    """Length at or above `count` samples at which a real Fourier transform is quick."""
    from scipy.fft import next_fast_len

    return int(next_fast_len(count, real=True))


def frequencies_hz(count: int, rate_hz: float) -> FloatArray:
    """Frequencies of the bins of a real transform of `count` samples, [shape=(count//2+1,)]."""
    return np.fft.rfftfreq(count, 1.0 / rate_hz)


def resample_spectrum(spectrum: ComplexArray, *, count: int, new_count: int) -> ComplexArray:
    """Spectrum of the same signal on a grid of `new_count` samples instead of `count`.

    The time span stays; bins are cut off or filled with zeros, which is the exact band-limited
    resampling of a periodic signal. The bin at half the coarser rate is dropped: it is ambiguous,
    and nothing in this room lives there.
    """
    kept = min(count, new_count) // 2
    result = np.zeros(new_count // 2 + 1, dtype=np.complex128)
    result[:kept] = spectrum[:kept] * (new_count / count)
    return result
