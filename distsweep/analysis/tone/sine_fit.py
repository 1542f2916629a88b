"""Least-squares sine fitting: level, phase, frequency and harmonics of a steady tone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.units import ComplexArray, FloatArray

FREQUENCY_ITERATIONS = 8
"""Most steps of the four-parameter fit (chosen: it doubles its digits at each, so that four are
enough from a start within half a bin)."""


SMALL_PRODUCT = 200_000
"""Multiplications in a matrix product that OpenBLAS, which numpy ships with, still does on
one core (chosen: below its threshold of 262144)."""


@dataclass(frozen=True)
class SineFit:
    """A fitted sine: amplitude·cos(2π·frequency·t + phase) + offset, t from the first sample.

    ``residual_rms`` is the root mean square of what is left, in the signal's unit.
    """

    frequency_hz: float
    amplitude: float
    phase_rad: float
    offset: float
    residual_rms: float


def fit_sine(signal: FloatArray, *, frequency_hz: float, rate_hz: float) -> SineFit:
    """Fit a sine of known frequency: the three-parameter fit.

    Parameters
    ----------
    signal : shape ``(samples,)``.
    frequency_hz : frequency in the signal's own clock.

    References
    ----------
    IEEE Std 1057, three-parameter (known frequency) least-squares fit to sine-wave data.
    """
    angle = 2.0 * np.pi * frequency_hz / rate_hz * np.arange(len(signal))
    basis = np.stack([np.cos(angle), np.sin(angle), np.ones(len(signal))], axis=1)
    found, _, _, _ = np.linalg.lstsq(basis, signal, rcond=None)
    return _as_fit(found, frequency_hz, signal - basis @ found)


def fit_sine_and_frequency(signal: FloatArray, *, near_hz: float, rate_hz: float) -> SineFit:
    """Fit a sine and its frequency: the four-parameter fit, started ``near_hz``.

    Notes
    -----
    It converges from within half of 1/duration of the true frequency; a start further off
    may lead to a side lobe.

    References
    ----------
    IEEE Std 1057, four-parameter least-squares fit: at each step the derivative with respect
    to frequency, −A·t·sin + B·t·cos, joins the three columns.
    """
    time = np.arange(len(signal)) / rate_hz
    frequency_hz = near_hz
    for _ in range(FREQUENCY_ITERATIONS):
        angle = 2.0 * np.pi * frequency_hz * time
        cosine, sine = np.cos(angle), np.sin(angle)
        columns = [cosine, sine, np.ones(len(signal))]
        a, b, _ = np.linalg.lstsq(np.stack(columns, axis=1), signal, rcond=None)[0]
        columns.append(time * (b * cosine - a * sine))
        step = np.linalg.lstsq(np.stack(columns, axis=1), signal, rcond=None)[0][3]
        frequency_hz += step / (2.0 * np.pi)
        if abs(step) < 1e-9 * frequency_hz:
            break
    return fit_sine(signal, frequency_hz=frequency_hz, rate_hz=rate_hz)


def _as_fit(found: FloatArray, frequency_hz: float, residual: FloatArray) -> SineFit:
    a, b, offset = (float(value) for value in found)
    return SineFit(
        frequency_hz=float(frequency_hz),
        amplitude=float(np.hypot(a, b)),
        phase_rad=float(np.arctan2(-b, a)),
        offset=offset,
        residual_rms=float(np.sqrt(np.mean(residual**2))),
    )


def _pieces(count: int, work_of_a_sample: int) -> list[slice]:
    """Cut samples into pieces whose matrix products stay on one core.

    A big product wakes a pool of threads, which on a busy machine waits for its slowest: it
    cost ten times the CPU of the small ones.
    """
    length = max(16, SMALL_PRODUCT // work_of_a_sample)
    return [slice(first, min(first + length, count)) for first in range(0, count, length)]


@dataclass(frozen=True)
class HarmonicFit:
    """Harmonics fitted together with the fundamental.

    Attributes
    ----------
    harmonics : complex amplitudes (cosine phase at the first sample), shape ``(K, order)``;
        column 0 is the fundamental; those above the highest frequency followed are zero.
    residual_rms, residual_peak : of what is left, shape ``(K,)``.
    """

    harmonics: ComplexArray
    residual_rms: FloatArray
    residual_peak: FloatArray


def fit_harmonics(
    signals: FloatArray,
    *,
    frequency_hz: float,
    rate_hz: float,
    order: int,
    highest_hz: float,
) -> HarmonicFit:
    """Fit a fundamental, its harmonics and an offset to several stretches of equal length.

    The columns are the same for all stretches, so that one factorisation serves them all.
    Two more let the fundamental change linearly over the stretch: a coil that warms would
    otherwise leave its drift in the residual. Amplitudes are those of the middle.

    Parameters
    ----------
    signals : shape ``(K, samples)``.
    frequency_hz : the fundamental's, in the signals' own clock.
    order : highest harmonic returned.
    highest_hz : no harmonic above is returned.

    References
    ----------
    IEEE Std 1057: least-squares fit of a sine of known frequency, harmonics included.
    """
    count = signals.shape[1]
    held = min(order, int(highest_hz / frequency_hz * (1.0 + 1e-9)))
    turn = np.exp(2j * np.pi * frequency_hz / rate_hz * np.arange(count))
    basis = np.empty((count, 2 * held + 3))
    power = np.ones(count, dtype=complex)
    for n in range(held):
        power = power * turn
        basis[:, 2 * n], basis[:, 2 * n + 1] = power.real, power.imag
    drift = np.linspace(-1.0, 1.0, count)
    basis[:, -3], basis[:, -2] = drift * turn.real, drift * turn.imag
    basis[:, -1] = 1.0
    found, residual = _solved(basis, signals)
    harmonics = np.zeros((len(signals), order), dtype=complex)
    harmonics[:, :held] = (found[0:-3:2] - 1j * found[1:-3:2]).T
    return HarmonicFit(
        harmonics=harmonics,
        residual_rms=np.sqrt(np.mean(residual**2, axis=1)),
        residual_peak=np.max(np.abs(residual), axis=1),
    )


def _solved(basis: FloatArray, signals: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the coefficients of least squares, ``(C, K)``, and what they leave, ``(K, samples)``.

    The columns are all but orthogonal over whole periods: normal equations lose nothing.
    """
    width = basis.shape[1]
    pieces = _pieces(len(basis), width * max(len(signals), width))
    normal, projected = np.zeros((width, width)), np.zeros((width, len(signals)))
    for piece in pieces:
        normal += basis[piece].T @ basis[piece]
        projected += basis[piece].T @ signals[:, piece].T
    found = np.asarray(np.linalg.solve(normal, projected), dtype=float)
    residual = signals.copy()
    for piece in pieces:
        residual[:, piece] -= (basis[piece] @ found).T
    return found, residual
