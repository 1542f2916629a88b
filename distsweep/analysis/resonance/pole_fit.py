"""Poles in a stretch of all takes' responses, and the likeliest near some, all of them at once.

That is Levenberg and Marquardt's method (J. SIAM 11, 1963) over ln f₀ and ln Q of every pole and
the ρ that each group of takes shares. Poles whose bands overlap pull at each other: fitted one by
one they creep, and stop in a valley.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.resonance.mode import HIGHEST_Q, LOWEST_Q
from distsweep.units import ComplexArray, FloatArray, ratio_to_db

REACH_OCTAVES, POINTS = 0.4, 90
"""The response is looked at so far to either side, at so many frequencies (chosen: at 1 kHz they
are 6 Hz apart, and a mode of Q 60 is 17 Hz wide)."""

SMOOTH_OCTAVES, OWN_Q, OWN_ENERGY = 0.6, 3.0, 0.1
"""The direct sound is like itself over so many octaves, but for poles of this Q with so much of
its energy (chosen: equalisers and crossovers of Q 4 and ±4 dB have that much)."""

MOST_RATIO = 6.0
"""No mode is louder than so many times the direct sound but before a port (chosen: 17 dB)."""

ROUNDS, SETTLED = 25, 0.05
"""So many steps at most, and the gain in log likelihood that is the last (chosen: a hundredth of
what one mode needs)."""


@dataclass(frozen=True)
class Mode:
    """A pole: its frequency and Q, and at every take ρ and the log ratio against none, ``(P,)``."""

    frequency_hz: float
    q: float
    ratios: ComplexArray
    log_ratios: FloatArray

    def factor(self, frequency_hz: FloatArray) -> ComplexArray:
        """Return 1 + ρT at every take, shape ``(P, F)``."""
        return 1.0 + self.ratios[:, None] * pole(frequency_hz, self.frequency_hz, self.q)

    @property
    def lifts_db(self) -> FloatArray:
        """The most that it lifts at every take: T runs on a circle about ½ through 0 and 1."""
        half = 0.5 * self.ratios
        return np.asarray(ratio_to_db(np.abs(1.0 + half) + np.abs(half)))

    def octaves_from(self, other: Mode) -> float:
        """Return how far another lies away."""
        return abs(math.log2(self.frequency_hz / other.frequency_hz))


def pole(
    frequency_hz: FloatArray, centre_hz: FloatArray | float, q: FloatArray | float
) -> ComplexArray:
    """Return T = 1/(1 + jQ(f/f₀ − f₀/f))."""
    return np.asarray(1.0 / (1.0 + 1j * q * (frequency_hz / centre_hz - centre_hz / frequency_hz)))


def smooth_covariance(
    frequency_hz: FloatArray, centre_hz: float, own_energy: float = OWN_ENERGY
) -> ComplexArray:
    """Return the covariance of what is smooth, shape ``(F, F)``, its power about 1."""
    octave = np.log2(frequency_hz)
    apart = (frequency_hz[:, None] - frequency_hz) / centre_hz
    direct = np.exp(-0.5 * ((octave[:, None] - octave) / SMOOTH_OCTAVES) ** 2)
    return np.asarray(direct * (1.0 + own_energy / (1.0 + 1j * OWN_Q * apart)))


@dataclass(frozen=True)
class Band:
    """A stretch of all takes' responses.

    Attributes
    ----------
    frequency_hz : shape ``(N,)``.
    values : responses, shape ``(P, N)``.
    whiteners : inverse of the Cholesky factor of the covariance without a mode, one a gain of the
        reflected power, shape ``(P, G, N, N)``.
    determinants : ln of the covariances', shape ``(P, G)``.
    """

    frequency_hz: FloatArray
    values: ComplexArray
    whiteners: ComplexArray
    determinants: FloatArray

    def without(self, modes: Sequence[Mode]) -> ComplexArray:
        """Return the values without some modes, each take's about 1."""
        values = self.values / self._factor(modes)
        return np.asarray(values / np.sqrt(np.mean(np.abs(values) ** 2, axis=1, keepdims=True)))

    def level(self, values: ComplexArray, modes: Sequence[Mode]) -> FloatArray:
        """Return each take's ln likelihood if some modes are in its values."""
        factor = self._factor(modes)
        level = self.best_gains(values / factor)[1]
        return np.asarray(level - 2.0 * np.sum(np.log(np.abs(factor)), axis=1))

    def _factor(self, modes: Sequence[Mode]) -> ComplexArray:
        """Return what some modes multiply the values by, shape ``(P, N)``."""
        factor = np.ones_like(self.values)
        for mode in modes:
            factor *= mode.factor(self.frequency_hz)
        return factor

    def best_gains(self, values: ComplexArray) -> tuple[list[ComplexArray], FloatArray]:
        """Return each take's whitener of the gain that suits best, and its ln likelihood."""
        white = (self.whiteners @ values[:, None, :, None])[..., 0]
        level = -POINTS * np.log(np.mean(np.abs(white) ** 2, axis=2)) - self.determinants
        best = np.argmax(level, axis=1)
        return [w[g] for w, g in zip(self.whiteners, best, strict=True)], np.max(level, axis=1)


class PoleFit:
    """Poles at takes of several groups, as one vector of real numbers.

    Parameters
    ----------
    band, values : where they are fitted, and the takes' responses there without any other poles.
    groups, bounded : takes that share one ρ, and whether this is at most MOST_RATIO.
    """

    def __init__(
        self,
        band: Band,
        values: ComplexArray,
        groups: Sequence[Sequence[int]],
        bounded: Sequence[bool],
    ) -> None:
        """Keep what is fitted to."""
        self._band, self._values = band, values
        self._groups = groups
        self._most = np.where(bounded, MOST_RATIO, math.inf)
        self._group_of = np.empty(len(values), dtype=int)
        for row, group in enumerate(groups):
            self._group_of[group] = row

    def fitted(self, modes: Sequence[Mode]) -> list[Mode]:
        """Return the likeliest poles near some, without log ratios."""
        firsts = [group[0] for group in self._groups]
        best: FloatArray = np.array(
            [
                [math.log(mode.frequency_hz), math.log(mode.q), *mode.ratios[firsts].view(float)]
                for mode in modes
            ]
        )
        level, slope, curvature = self._expanded(best)
        damping = 1e-2
        for _ in range(ROUNDS):
            damped = curvature + damping * np.diag(np.diagonal(curvature) + 1e-6)
            steps: FloatArray = np.linalg.solve(damped, slope).astype(float)
            tried = self._moved(best, steps)
            expanded = self._expanded(tried)
            gained = expanded[0] - level
            damping *= 0.2 if gained > 0.0 else 6.0
            if gained > 0.0:
                best, (level, slope, curvature) = tried, expanded
            if 0.0 < gained < SETTLED or damping > 1e4:
                break
        ratios = best[:, 2:].copy().view(complex)[:, self._group_of]
        return [
            Mode(math.exp(place), math.exp(sharpness), of_pole, np.zeros(len(of_pole)))
            for (place, sharpness), of_pole in zip(best[:, :2], ratios, strict=True)
        ]

    def _moved(self, poles: FloatArray, steps: FloatArray) -> FloatArray:
        """Return poles after steps, within their bounds and those of what is nearly linear."""
        step = steps.reshape(poles.shape)
        reach = 0.5 * np.exp(-poles[:, 1])
        moved = poles.copy()
        moved[:, 0] += np.clip(step[:, 0], -reach, reach)
        moved[:, 1] += np.clip(step[:, 1], -0.5, 0.5)
        moved[:, 1] = np.clip(moved[:, 1], math.log(LOWEST_Q), math.log(HIGHEST_Q))
        ratios, change = moved[:, 2:].view(complex), step[:, 2:].copy().view(complex)
        ratios += change * np.minimum(1.0, (1.0 + np.abs(ratios)) / (np.abs(change) + 1e-12))
        ratios *= np.minimum(1.0, self._most / (np.abs(ratios) + 1e-12))
        return moved

    def _expanded(self, poles: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        """Return the ln likelihood, its slope, and Gauss and Newton's curvature.

        A pole's numbers are ln f₀, ln Q, and real and imaginary part of every group's ρ.
        """
        frequency_hz = self._band.frequency_hz
        centre_hz, q = np.exp(poles[:, :2]).T[:, :, None]
        up, down = frequency_hz / centre_hz, centre_hz / frequency_hz
        alone = 1.0 / (1.0 + 1j * q * (up - down))
        ratios = poles[:, 2:].copy().view(complex).T[:, :, None]
        by_ratio = alone / (1.0 + ratios * alone)
        turn = 1j * q * ratios * by_ratio * alone
        changes = np.stack(
            [turn * (up + down), turn * (down - up), by_ratio, 1j * by_ratio], axis=2
        )
        factors = np.prod(alone / by_ratio, axis=1)[self._group_of]
        rest = self._values / factors
        whiteners, levels = self._band.best_gains(rest)
        level = float(np.sum(levels) - 2.0 * np.sum(np.log(np.abs(factors))))
        slope, curvature = np.zeros(poles.size), np.zeros((poles.size, poles.size))
        starts = poles.shape[1] * np.arange(len(poles))[:, None]
        for take, group in enumerate(self._group_of):
            of_take = changes[group].reshape(-1, len(frequency_hz))
            both = whiteners[take] @ (np.vstack([np.ones_like(up[0]), of_take]) * rest[take]).T
            white, columns = both[:, 0], both[:, 1:]
            weight = 2.0 * POINTS / np.vdot(white, white).real
            at = (starts + np.array([0, 1, 2 + 2 * group, 3 + 2 * group])).ravel()
            adjoint = weight * columns.conj().T
            slope[at] += (adjoint @ white - 2.0 * np.sum(of_take, axis=1)).real
            curvature[np.ix_(at, at)] += (adjoint @ columns).real
        return level, slope, curvature
