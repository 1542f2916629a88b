"""The likeliest poles near some: frequencies, Qs and ratios of all of them at once.

Levenberg and Marquardt's method (J. SIAM 11, 1963) over ln f₀ and ln Q of every pole and the ρ
that each group of takes shares. Poles whose bands overlap pull at each other: fitted one by one
they creep, and stop in a valley.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from distsweep.analysis.resonance.mode import HIGHEST_Q, LOWEST_Q
from distsweep.analysis.resonance.response_band import POINTS, Band, Mode
from distsweep.units import ComplexArray, FloatArray

MOST_RATIO = 6.0
"""In the far field no mode is louder than so many times the direct sound (chosen: 17 dB)."""

ROUNDS, SETTLED = 25, 0.05
"""So many steps at most, and the gain in log likelihood that is the last (chosen: a hundredth of
what one mode needs)."""


class PoleFit:
    """Poles at takes of several groups, as one vector of real numbers.

    Parameters
    ----------
    band, values : where they are fitted, and the takes' responses there without any other poles.
    groups, far : takes that share one ρ, and whether these are in the far field.
    """

    def __init__(
        self,
        band: Band,
        values: ComplexArray,
        groups: Sequence[Sequence[int]],
        far: Sequence[bool],
    ) -> None:
        """Keep what is fitted to."""
        self._band, self._values = band, values
        self._groups = groups
        self._most = np.where(far, MOST_RATIO, math.inf)
        self._group_of = np.empty(len(values), dtype=int)
        for row, group in enumerate(groups):
            self._group_of[group] = row

    def fitted(self, modes: Sequence[Mode]) -> tuple[list[Mode], FloatArray]:
        """Return the likeliest poles near some, and each take's ln likelihood with them."""
        firsts = [group[0] for group in self._groups]
        best = np.array(
            [
                [math.log(mode.frequency_hz), math.log(mode.q), *mode.ratios[firsts].view(float)]
                for mode in modes
            ]
        )
        level, slope, curvature = self._expanded(best)
        damping = 1e-2
        for _ in range(ROUNDS):
            damped = curvature + damping * np.diag(np.diagonal(curvature) + 1e-6)
            step = np.linalg.solve(damped, slope).reshape(best.shape)
            tried = self._moved(best, step)
            expanded = self._expanded(tried)
            gained = float(np.sum(expanded[0] - level))
            damping *= 0.2 if gained > 0.0 else 6.0
            if gained > 0.0:
                best, (level, slope, curvature) = tried, expanded
            if 0.0 < gained < SETTLED or damping > 1e4:
                break
        takes = np.zeros(len(self._values))
        return [
            Mode(math.exp(pole[0]), math.exp(pole[1]), pole[2:].view(complex)[self._group_of], takes)
            for pole in best
        ], level

    def _moved(self, poles: FloatArray, step: FloatArray) -> FloatArray:
        """Return poles after a step, within their bounds and those of what is nearly linear."""
        reach = 0.5 * np.exp(-poles[:, 1])
        moved = poles + step
        moved[:, 0] = poles[:, 0] + np.clip(step[:, 0], -reach, reach)
        moved[:, 1] = poles[:, 1] + np.clip(step[:, 1], -0.5, 0.5)
        moved[:, 1] = np.clip(moved[:, 1], math.log(LOWEST_Q), math.log(HIGHEST_Q))
        ratios = moved[:, 2:].view(complex)
        ratios *= np.minimum(1.0, self._most / np.maximum(np.abs(ratios), 1e-12))
        return moved

    def _expanded(self, poles: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the takes' ln likelihoods, and slope and curvature of their sum.

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
        whiteners, level = self._band.best_gains(rest)
        level = level - 2.0 * np.sum(np.log(np.abs(factors)), axis=1)
        slope, curvature = np.zeros(poles.size), np.zeros((poles.size, poles.size))
        starts = poles.shape[1] * np.arange(len(poles))[:, None]
        for take, group in enumerate(self._group_of):
            of_take = changes[group].reshape(-1, len(frequency_hz))
            both = whiteners[take] @ (np.vstack([np.ones_like(up[0]), of_take]) * rest[take]).T
            white, columns = both[:, 0], both[:, 1:]
            weight = 2.0 * POINTS / np.vdot(white, white).real
            at = (starts + [0, 1, 2 + 2 * group, 3 + 2 * group]).ravel()
            slope[at] += (weight * (columns.conj().T @ white) - 2.0 * np.sum(of_take, axis=1)).real
            curvature[np.ix_(at, at)] += weight * (columns.conj().T @ columns).real
        return level, slope, curvature
