"""By how much a mode lies higher in one measurement than in another, curve against curve.

The half sum S and the difference D of both sides' levels around the mode are explained together,
for every curve that shows it, by

    S = ½·[M(f₁, c₁) + M(f₂, c₂)] + cubic,   D = M(f₂, c₂) − M(f₁, c₁) + parabola,

M(f₀, c) = 10·lg(|1 + c·Tᵖ|² + ε), T = 1/(1 + jQ(f/f₀ − f₀/f)), over the logarithm of frequency;
p is 1 for what a mode radiates, n for the n-th product of its own motion. With f₁ = f₀·e^{−δ/2},
f₂ = f₀·e^{+δ/2}, c₁ = c·(1 + b), c₂ = c·(1 − b), all curves share f₀, Q, the shift δ and the
imbalance b; c is complex and each curve's own. What else stands around the mode, other modes and
reflections' combs, is on both sides alike: it is in S, which counts by what such a model leaves of
it, and not in D, which counts by its noise. D thus says how far the mode has moved, S what the mode
looks like.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.comparison.mode_curves import TwoCurves
from distsweep.comparison.mode_levels import DB_PER_NEPER_OF_POWER, FILLED
from distsweep.units import ComplexArray, FloatArray, power_to_db

SUM_TERMS, DIFFERENCE_TERMS = 4, 3
"""Terms of the polynomials over log-frequency that S and D may follow besides (chosen: a crossover
bends a response over so short a stretch, and two of them differ by less)."""

LEAST_SHAPE_SIGMA_DB = 0.1
"""A response is no mode on a cubic to better than this (chosen: combs, neighbouring modes)."""

LOG_Q_SPREAD, PLACE_SPREAD = 0.35, 0.3
"""How far, as one standard deviation, Q (in nepers) and the frequency (in bandwidths) may be from
what the search says (chosen: of a mode seen in noisy products, Q is known to a third)."""

SHARE_SPREAD, IMBALANCE_SPREAD = 10.0, 1.0
"""What a mode may add re what is beside it, 20 dB, and how much more it may add on one side
(chosen: wide; they hold values that the curves say nothing of)."""

PLACE, LOG_Q, SHIFT, IMBALANCE, SHARES = range(5)
"""Where the unknowns stand: ln f₀/near, ln Q/q₀, δ, b, then Re c and Im c of every curve."""

_TRIED_SHARES = np.outer([0.1, 0.4, 1.5], np.exp(0.25j * math.pi * np.arange(8))).ravel()


@dataclass(frozen=True)
class Fitted:
    """Unknowns that explain the curves best, how badly, and how well each is known.

    Attributes
    ----------
    values : shape ``(4 + 2·curves,)``.
    cost : sum of the squares of all that is left, over its deviations.
    errors : standard deviations of the values, 0 of those that were held.
    """

    values: FloatArray
    cost: float
    errors: FloatArray


class ModeInCurves:
    """Curves of two sides around one mode, and the model that is fitted to them."""

    def __init__(self, curves: Sequence[TwoCurves], near_hz: float, q: float) -> None:
        """Take curves around a frequency, where a mode of about this Q is looked for."""
        self.near_hz, self.q0, self.count = near_hz, q, len(curves)
        self.frequencies = [curve.frequency_hz for curve in curves]
        self.powers = [curve.power for curve in curves]
        self.sums = [0.5 * (c.first_db + c.other_db) for c in curves]
        self.differences = [c.other_db - c.first_db for c in curves]
        self.sigmas = [np.hypot(c.first_sigma_db, c.other_sigma_db) for c in curves]
        self.set_shape_sigma([LEAST_SHAPE_SIGMA_DB] * self.count)

    def set_shape_sigma(self, shape_sigma_db: Sequence[float]) -> None:
        """Weight the sums by what the model is expected to leave of each, besides noise."""
        self.weights, self.bases = [], []
        for frequency_hz, sigma, shape in zip(
            self.frequencies, self.sigmas, shape_sigma_db, strict=True
        ):
            place = np.log2(frequency_hz / self.near_hz)
            powers = (place / np.max(np.abs(place)))[:, None] ** np.arange(SUM_TERMS)
            weights = 1.0 / np.hypot(0.5 * sigma, shape), 1.0 / sigma
            self.weights.append(weights)
            self.bases.append(
                tuple(
                    np.linalg.qr(weight[:, None] * powers[:, :terms])[0]
                    for weight, terms in zip(weights, (SUM_TERMS, DIFFERENCE_TERMS), strict=True)
                )
            )

    def motion(self, n: int, centre_hz: float, q: float) -> ComplexArray:
        """Return T of one curve, shape ``(P,)``."""
        ratio = self.frequencies[n] / centre_hz
        return np.asarray(1.0 / (1.0 + 1j * q * (ratio - 1.0 / ratio)))

    def mode(self, n: int, centre_hz: float, q: float) -> ComplexArray:
        """Return Tᵖ of one curve, shape ``(P,)``."""
        return np.asarray(self.motion(n, centre_hz, q) ** self.powers[n])

    def left(self, n: int, part: int, value: FloatArray) -> FloatArray:
        """Return a part of S (0) or D (1), along the last axis, that the polynomial leaves."""
        weighted = value * self.weights[n][part]
        basis = self.bases[n][part]
        return np.asarray(weighted - (weighted @ basis) @ basis.T)

    def rest(self, n: int, first_db: FloatArray, other_db: FloatArray) -> list[FloatArray]:
        """Return what two models, shape ``(…, P)``, leave of S and D, over its deviations."""
        return [
            self.left(n, 0, self.sums[n] - 0.5 * (first_db + other_db)),
            self.left(n, 1, self.differences[n] - (other_db - first_db)),
        ]

    def sides(self, values: FloatArray) -> list[tuple[float, float]]:
        """Return frequency and factor on c of the first and the other side."""
        centre_hz = self.near_hz * math.exp(values[PLACE])
        return [
            (centre_hz * math.exp(side * 0.5 * values[SHIFT]), 1.0 - side * values[IMBALANCE])
            for side in (-1.0, 1.0)
        ]

    def q(self, values: FloatArray) -> float:
        """Return the mode's Q."""
        return self.q0 * math.exp(float(np.clip(values[LOG_Q], -2.0, 2.0)))

    def models(self, n: int, values: FloatArray) -> list[FloatArray]:
        """Return M of both sides of one curve, in dB."""
        share = complex(values[SHARES + 2 * n], values[SHARES + 2 * n + 1])
        q = self.q(values)
        return [level_db(share * factor * self.mode(n, hz, q)) for hz, factor in self.sides(values)]

    def residuals(self, values: FloatArray) -> FloatArray:
        """Return all that is left, over its deviations; first what holds the unknowns."""
        held = values * self._hold()
        return np.concatenate(
            [held, *(r for n in range(self.count) for r in self.rest(n, *self.models(n, values)))]
        )

    def _hold(self) -> FloatArray:
        """Return one over the spread that each unknown may have."""
        hold = [self.q0 / PLACE_SPREAD, 1.0 / LOG_Q_SPREAD, 0.0, 1.0 / IMBALANCE_SPREAD]
        return np.array(hold + [1.0 / SHARE_SPREAD] * (2 * self.count))

    def jacobian(self, values: FloatArray) -> FloatArray:
        """Return the residuals' derivatives, a row a residual."""
        q, rows = self.q(values), [np.diag(self._hold())]
        for n in range(self.count):
            share = complex(values[SHARES + 2 * n], values[SHARES + 2 * n + 1])
            parts = []
            for (hz, factor), side in zip(self.sides(values), (-1.0, 1.0), strict=True):
                motion, power = self.motion(n, hz, q), self.powers[n]
                ratio = self.frequencies[n] / hz
                mode = motion**power
                by_place = 1j * power * q * (ratio + 1.0 / ratio) * mode * motion
                by_q = -1j * power * q * (ratio - 1.0 / ratio) * mode * motion
                c = share * factor
                inner = [c * by_place, c * by_q, 0.5 * side * c * by_place, -side * share * mode,
                         factor * mode, 1j * factor * mode]  # fmt: skip
                gain = 1.0 + c * mode
                total = gain.real**2 + gain.imag**2 + FILLED
                slopes = [2.0 * (gain.conj() * one).real / total for one in inner]
                parts.append(DB_PER_NEPER_OF_POWER * np.array(slopes))
            first, other = parts
            for part, slope in ((0, 0.5 * (first + other)), (1, other - first)):
                block = np.zeros((slope.shape[1], len(values)))
                columns = [PLACE, LOG_Q, SHIFT, IMBALANCE, SHARES + 2 * n, SHARES + 2 * n + 1]
                block[:, columns] = -self.left(n, part, slope).T
                rows.append(block)
        return np.concatenate(rows)

    def start(self, shift: float) -> tuple[FloatArray, float]:
        """Return the best shares of those tried for a shift, and what they leave."""
        values, cost = [0.0, 0.0, shift, 0.0], 0.0
        sides = self.sides(np.array(values))
        for n in range(self.count):
            tried = [
                level_db(_TRIED_SHARES[:, None] * self.mode(n, hz, self.q0)) for hz, _ in sides
            ]
            costs = sum(np.sum(left**2, axis=-1) for left in self.rest(n, *tried))
            best = int(np.argmin(costs))
            values += [_TRIED_SHARES[best].real, _TRIED_SHARES[best].imag]
            cost += float(np.asarray(costs)[best])
        return np.array(values), cost

    def fit(self, start: FloatArray, held: Sequence[int] = ()) -> Fitted:
        """Fit all unknowns but those held, from a start."""
        from scipy.optimize import least_squares

        free = np.array([n for n in range(len(start)) if n not in held])

        def whole(part: FloatArray) -> FloatArray:
            values = start.copy()
            values[free] = part
            return values

        done = least_squares(
            lambda part: self.residuals(whole(part)),
            start[free],
            jac=lambda part: self.jacobian(whole(part))[:, free],
            method="lm",
            xtol=1e-6,
            ftol=1e-6,
            max_nfev=80,
        )
        errors = np.zeros(len(start))
        square = done.jac.T @ done.jac
        square += 1e-12 * np.trace(square) * np.eye(len(square))
        errors[free] = np.sqrt(np.maximum(np.diag(np.linalg.inv(square)), 0.0))
        return Fitted(whole(done.x), 2.0 * float(done.cost), errors)


def level_db(mode: ComplexArray) -> FloatArray:
    """Return M, the level of 1 and what a mode adds."""
    gain = 1.0 + mode
    return np.asarray(power_to_db(gain.real**2 + gain.imag**2 + FILLED))
