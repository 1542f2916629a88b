"""The array types of this room, and the lengths its Fourier transforms run at."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


def fast_length(count: int) -> int:
    """Length at or above `count` samples at which a real Fourier transform is quick."""
    from scipy.fft import next_fast_len

    return int(next_fast_len(count, real=True))


def frequencies_hz(count: int, rate_hz: float) -> FloatArray:
    """Frequencies of the bins of a real transform of `count` samples, [shape=(count//2+1,)]."""
    return np.arange(count // 2 + 1, dtype=np.float64) * (rate_hz / count)


def imaginary(values: FloatArray) -> ComplexArray:
    """j times real values, [shape=(n,)]: jf/f₀ or jω for a transfer function."""
    result = np.zeros(values.size, dtype=np.complex128)
    result.imag = values
    return result


def phasor(angle_rad: FloatArray) -> ComplexArray:
    """e to the power of j times an angle, [shape=(n,)]."""
    result = np.empty(angle_rad.size, dtype=np.complex128)
    result.real = np.cos(angle_rad)
    result.imag = np.sin(angle_rad)
    return result


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
