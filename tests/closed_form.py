"""Loudspeakers with a closed-form answer: parallel branches of filter → polynomial → filter.

For a sine of amplitude A every harmonic of such a branch is known exactly. The signals are
made here by FFT, with nothing of the package's signal processing. A product of degree n fills n
times the band; at (n + 1)/2 times the rate what lies above folds back to above the band only.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import comb

import numpy as np
import scipy.fft

Response = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Branch:
    """pre(f) → Σ coefficients[n]·xⁿ → post(f); coefficients from degree 1 on."""

    pre: Response
    coefficients: tuple[float, ...]
    post: Response


def flat(frequency_hz: np.ndarray) -> np.ndarray:
    return np.ones_like(frequency_hz, dtype=complex)


def high_pass(corner_hz: float, q: float = 0.7) -> Response:
    def response(frequency_hz: np.ndarray) -> np.ndarray:
        s = 1j * frequency_hz / corner_hz
        return s**2 / (s**2 + s / q + 1.0)

    return response


def low_pass(corner_hz: float, q: float = 0.7) -> Response:
    def response(frequency_hz: np.ndarray) -> np.ndarray:
        s = 1j * frequency_hz / corner_hz
        return 1.0 / (s**2 + s / q + 1.0)

    return response


def peak(centre_hz: float, q: float, lift_db: float) -> Response:
    """A resonance that lifts its frequency by ``lift_db``; bandwidth centre/q."""
    gain = 10.0 ** (lift_db / 20.0)

    def response(frequency_hz: np.ndarray) -> np.ndarray:
        s = 1j * frequency_hz / centre_hz
        return (s**2 + s * gain / q + 1.0) / (s**2 + s / q + 1.0)

    return response


def cascade(*responses: Response) -> Response:
    def response(frequency_hz: np.ndarray) -> np.ndarray:
        product = flat(frequency_hz)
        for item in responses:
            product = product * item(frequency_hz)
        return product

    return response


def play(branches: Sequence[Branch], waveform: np.ndarray, rate_hz: int) -> np.ndarray:
    """Return what the branches make of a waveform, same length; it must end in silence."""
    length = scipy.fft.next_fast_len(len(waveform) + rate_hz, real=True)
    length += length % 2
    spectrum = scipy.fft.rfft(waveform, length)
    frequency_hz = np.arange(length // 2 + 1) * (rate_hz / length)
    total = np.zeros(length // 2 + 1, dtype=complex)
    for branch in branches:
        times = len(branch.coefficients) // 2 + 1
        inner = times * scipy.fft.irfft(spectrum * branch.pre(frequency_hz), times * length)
        shaped = np.zeros_like(inner)
        for coefficient in reversed(branch.coefficients):
            shaped = (shaped + coefficient) * inner
        made = scipy.fft.rfft(shaped)[: length // 2 + 1] / times
        total += made * branch.post(frequency_hz)
    total[-1] = 0.0
    return scipy.fft.irfft(total, length)[: len(waveform)]


def harmonic_products(
    branches: Sequence[Branch], frequency_hz: np.ndarray, amplitude: float, order: int
) -> np.ndarray:
    """Return the harmonics' complex amplitudes for a cosine of an amplitude, ``(order, F)``."""
    result = np.zeros((order, len(frequency_hz)), dtype=complex)
    for branch in branches:
        inner = amplitude * branch.pre(frequency_hz)
        for n in range(1, order + 1):
            # (a·cos)^m = a^m/2^(m−1) · Σ C(m, (m−n)/2)·cos(n·) for n ≥ 1 of m's parity.
            made = sum(
                c * np.abs(inner) ** m / 2.0 ** (m - 1) * comb(m, (m - n) // 2)
                for m, c in enumerate(branch.coefficients, start=1)
                if m >= n and (m - n) % 2 == 0
            )
            result[n - 1] += made * np.exp(1j * n * np.angle(inner)) * branch.post(n * frequency_hz)
    return result


def harmonic_amplitudes(
    branches: Sequence[Branch], frequency_hz: np.ndarray, amplitude: float, order: int
) -> np.ndarray:
    """Return |harmonic n| for a sine of an amplitude, shape ``(order, F)``."""
    return np.abs(harmonic_products(branches, frequency_hz, amplitude, order))


MILDLY_CURVED = [
    Branch(cascade(high_pass(60, 0.9), peak(900, 5, 5)), (1.0, 0.03, -0.05), low_pass(15000)),
]
"""A loudspeaker with a resonance and mild second and third harmonics."""
