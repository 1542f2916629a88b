"""A stretch of a sweep's recording as its harmonics, and a noise of whatever colour.

Around a moment each order is a carrier, n times the sweep's phase, whose amplitude changes slowly:
what arrives τ seconds late and radiates F hertz beats with that carrier at −τ·F/L hertz. The rest,
of whatever origin, is an autoregressive noise. Samples that do not hold what was heard are
unknowns of the same least squares (for the noise: Janssen, Veldhuis, Vries, IEEE Trans. ASSP
34(2), 1986); how large amplitudes are at each beat is learnt from the samples around.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.sweep.windows import CYCLES_AFTER, CYCLES_BEFORE
from distsweep.stimulus.sweep import Sweep
from distsweep.units import BoolArray, FloatArray, IntArray

NOISE_TAPS = 32
"""Order of the autoregressive noise (chosen: at 48 kHz it tells 1.5 kHz apart, enough for the slope
of a background; what a room adds belongs to the fundamental's carrier)."""

TAIL_S = 0.5
"""A room's tail is given to the fundamental's carrier for so long (chosen: in six simulated rooms
of 0.6 s bridges of 128 to 707 samples err by −70 dB re full scale on average; with 0.25 s −50)."""

MOST_BEATS = 250
"""Most beats of a tail (chosen: above some kilohertz a tail holds more, and is explained as noise
only; with more, a stretch takes many seconds)."""

WIDER = 1.5
"""The beats' period over the stretch (chosen: its two ends are then free of each other)."""

DECAY_CYCLES = 4.0
"""Before anything is learnt, an order is taken to fall to half its power so many periods from its
place (chosen: a resonance of Q 18 does so)."""

ROUNDS = 5
"""So many times sizes and noise are learnt anew (chosen: the bridge of 512 samples changes by less
than its error in the last)."""

FIRST_VARIANCE = 1e-2
"""Variance of the noise before anything is learnt, re the signal's (chosen: so much that only
strong beats are believed at first; from 1e-4 on, sizes settled on beats that cancel each other)."""

LEAST = 1e-30
"""A power that stands for none, full scale 1 (chosen: so small, −300 dB, that it only keeps
digital silence from dividing by zero)."""


@dataclass(frozen=True)
class Explained:
    """A stretch as it is explained.

    Attributes
    ----------
    filled : the signal, its unknown samples replaced, shape ``(M,)``.
    errors : by how much the unknown samples may be something else: draws from their
        distribution, shape ``(draws, U)``.
    surprise : the noise's innovations over their standard deviation, shape ``(M,)``; 0 where
        an unknown sample takes part in one.
    """

    filled: FloatArray
    errors: FloatArray
    surprise: FloatArray


class Carriers:
    """The orders' carriers over a stretch, each at all the beats that it may have.

    Attributes
    ----------
    waves : cosines and sines, shape ``(C, M)``.
    shape : the power of each to start with, the largest 1, shape ``(C,)``.
    beats : how many beats each order has; its cosines come first, then its sines.
    """

    def __init__(self, sweep: Sweep, first: int, last: int, *, order: int) -> None:
        """Lay them out from sample ``first`` of a pass until ``last``; the sweep is as recorded."""
        middle_hz = float(sweep.frequency_at_hz(0.5 * (first + last) / sweep.rate_hz))
        middle_hz = min(middle_hz, 0.5 * sweep.rate_hz)
        constant_s = sweep.rate_constant_s
        time_s = np.arange(first, last) / sweep.rate_hz
        sweep_phase = 2.0 * np.pi * constant_s * sweep.frequency_at_hz(time_s)
        step_hz = sweep.rate_hz / (WIDER * (last - first))
        turns = 2.0 * np.pi * step_hz * (time_s - np.mean(time_s))
        waves, shape = [], []
        self.beats: list[int] = []
        for n in range(1, order + 1):
            if n > 1 and n * middle_hz > 0.5 * sweep.rate_hz:
                break
            late_hz, early_hz = _reach_hz(n, middle_hz, constant_s)
            late = min(math.ceil(late_hz / step_hz), MOST_BEATS)
            beats = np.arange(-late, math.ceil(early_hz / step_hz) + 1)
            phase = n * sweep_phase + beats[:, None] * turns
            waves += [np.cos(phase), np.sin(phase)]
            shape += 2 * [1.0 / (1.0 + (beats * step_hz * constant_s / DECAY_CYCLES) ** 2)]
            self.beats.append(len(beats))
        self.waves, self.shape = np.concatenate(waves), np.concatenate(shape)

    def sizes(self, power: FloatArray, settled: FloatArray, most: float) -> FloatArray:
        """Return the mean power of each wave's amplitude, shape ``(C,)``.

        ``power`` is that of the values found, ``settled`` how much of each the samples
        settled (MacKay, Neural Computation 4(3), 1992, eq. 4.3); an order has ``most`` in all.
        """
        result = np.empty_like(power)
        at = 0
        for count in self.beats:
            pairs = slice(at, at + 2 * count)
            both = power[pairs].reshape(2, count).sum(axis=0)
            known = settled[pairs].reshape(2, count).sum(axis=0)
            size = _smooth(both) / _smooth(known)
            size *= min(1.0, most / max(float(np.sum(size)), LEAST))
            result[pairs] = np.tile(size, 2)
            at += 2 * count
        return result + LEAST


def explain(
    signal: FloatArray, unknown: BoolArray, carriers: Carriers, *, draws: int = 0, seed: int = 0
) -> Explained:
    """Explain a stretch; ``unknown`` marks samples that don't hold what was heard, shape ``(M,)``.

    The first and the last NOISE_TAPS samples must be known.
    """
    places = np.flatnonzero(unknown)
    known = np.where(unknown, 0.0, signal)
    power = float(np.sum(known**2)) / max(1, int(np.sum(~unknown))) + LEAST
    sizes, taps, variance = (
        power * carriers.shape,
        np.eye(1, NOISE_TAPS + 1)[0],
        FIRST_VARIANCE * power,
    )
    free = np.convolve(unknown, np.ones(NOISE_TAPS + 1))[NOISE_TAPS : len(unknown)] == 0
    for again in range(ROUNDS):
        fit = _Fit(known, places, carriers.waves, taps, sizes, variance)
        rest = fit.filled - fit.values @ carriers.waves
        if again < ROUNDS - 1:
            settled = np.clip(1.0 - np.diag(fit.covariance()) / sizes, 1e-3, 1.0)
            sizes = carriers.sizes(fit.values**2, settled, 4.0 * power)
            taps = _prediction_error(np.where(unknown, 0.0, rest))
            variance = _mean_square(rest, taps, free, float(np.sum(settled))) + LEAST
    surprise = np.zeros(len(signal))
    surprise[NOISE_TAPS:] = np.where(free, np.convolve(rest, taps, "valid"), 0.0)
    surprise /= math.sqrt(variance)
    return Explained(np.where(unknown, fit.filled, signal), fit.drawn(draws, seed), surprise)


class _Fit:
    """Amplitudes and unknown samples of one round: regularised least squares of the innovations."""

    def __init__(
        self,
        known: FloatArray,
        places: IntArray,
        waves: FloatArray,
        taps: FloatArray,
        sizes: FloatArray,
        variance: float,
    ) -> None:
        from scipy.linalg import cho_factor, cho_solve, cho_solve_banded, cholesky_banded

        rows = np.array([np.convolve(row, taps, "valid") for row in [*waves, known]])
        gram = rows @ rows[:-1].T
        self._variance = variance
        self.filled = known.copy()
        if len(places):
            self._root = cholesky_banded(_banded(taps, places), lower=True)
            back = _back(rows, taps, places)
            # What the unknown samples make up for, per unit of each amplitude.
            self._made_up = cho_solve_banded((self._root, True), back.T)
            gram -= back @ self._made_up[:, :-1]
        self._factor = cho_factor(gram[:-1] / variance + np.diag(1.0 / sizes), lower=True)
        self.values = cho_solve(self._factor, gram[-1] / variance)
        if len(places):
            self.filled[places] = self._made_up[:, :-1] @ self.values - self._made_up[:, -1]
        self._places = places

    def covariance(self) -> FloatArray:
        """Return the covariance of the amplitudes, shape ``(C, C)``."""
        from scipy.linalg import cho_solve

        return np.asarray(cho_solve(self._factor, np.eye(len(self.values))))

    def drawn(self, draws: int, seed: int) -> FloatArray:
        """Return errors of the unknown samples, drawn from their distribution, ``(draws, U)``."""
        from scipy.linalg import solve_banded, solve_triangular

        if not draws or not len(self._places):
            return np.zeros((draws, len(self._places)))
        rng = np.random.default_rng(seed)
        normal = rng.standard_normal((len(self.values), draws))
        amplitudes = solve_triangular(self._factor[0], normal, lower=True, trans=1)
        width = len(self._root)
        upper = np.zeros_like(self._root)
        for row in range(width):
            upper[width - 1 - row, row:] = self._root[row, : upper.shape[1] - row]
        normal = rng.standard_normal((len(self._places), draws))
        noise = math.sqrt(self._variance) * solve_banded((0, width - 1), upper, normal)
        return np.asarray((self._made_up[:, :-1] @ amplitudes + noise).T)


def _reach_hz(n: int, excitation_hz: float, constant_s: float) -> tuple[float, float]:
    """Return how far below its carrier, and above, an order reaches: half-way to the next ones."""
    radiated_hz = n * excitation_hz
    early_s = min(0.5 * constant_s * math.log((n + 1) / n), CYCLES_BEFORE / radiated_hz)
    if n == 1:
        late_hz = max(TAIL_S * radiated_hz, CYCLES_AFTER) / constant_s
        return min(late_hz, 0.7 * radiated_hz), early_s * radiated_hz / constant_s
    late_s = min(0.5 * constant_s * math.log(n / (n - 1)), CYCLES_AFTER / radiated_hz)
    return late_s * radiated_hz / constant_s, early_s * radiated_hz / constant_s


def _smooth(values: FloatArray) -> FloatArray:
    return np.convolve(np.pad(values, 1, mode="edge"), (0.25, 0.5, 0.25), "valid")


def _prediction_error(rest: FloatArray) -> FloatArray:
    """Return the filter that whitens a noise: what linear prediction leaves of it."""
    from scipy.linalg import solve_toeplitz

    spectrum = np.fft.rfft(rest, 2 * len(rest))
    lags = np.fft.irfft(spectrum.real**2 + spectrum.imag**2)[: NOISE_TAPS + 1]
    lags[0] += 1e-9 * lags[0] + LEAST
    return np.concatenate([[1.0], -solve_toeplitz(lags[:-1], lags[1:])])


def _mean_square(rest: FloatArray, taps: FloatArray, free: BoolArray, fitted: float) -> float:
    """Return the variance of the innovations that no unknown sample takes part in."""
    innovations = np.convolve(rest, taps, "valid")[free]
    return float(np.sum(innovations**2)) / max(len(innovations) - fitted, 1.0)


def _back(rows: FloatArray, taps: FloatArray, places: IntArray) -> FloatArray:
    """Return what each unknown sample has in common with innovations, shape ``(…, U)``."""
    return sum(tap * rows[:, places - NOISE_TAPS + k] for k, tap in enumerate(taps))  # type: ignore


def _banded(taps: FloatArray, places: IntArray) -> FloatArray:
    """Return the unknown samples' normal matrix, its lower diagonals as rows."""
    lags = np.append(np.correlate(taps, taps, "full")[NOISE_TAPS:], 0.0)
    diagonals = min(NOISE_TAPS, len(places) - 1) + 1
    band = np.zeros((diagonals, len(places)))
    for d in range(diagonals):
        apart = places[d:] - places[: len(places) - d]
        band[d, : len(apart)] = np.where(
            apart <= NOISE_TAPS, lags[np.minimum(apart, NOISE_TAPS)], 0
        )
    return band
