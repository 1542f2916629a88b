"""Modes that products show: set off where they are played, or lifting what is heard.

An excited mode moves nonlinearly: its products of all orders, rungs and takes agree in the frequency
played. A mode that an equaliser has taken off the response still lifts what is made behind that
equaliser: products agree in the frequency heard, n·f. Either kind is looked for one by one, each
taken off the curves before the next, so that what it leaves beside itself is not called.

Where the driver that radiates n·f is not the one that makes the product, the room does not divide
out: the curve is rough all around, and a mode is not told from that.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from distsweep.analysis.narrowing import Axis, narrowed_minimum
from distsweep.analysis.resonance.curves import SearchedTake
from distsweep.analysis.resonance.mode import HIGHEST_Q, LOWEST_Q, Contribution, FoundMode
from distsweep.analysis.resonance.mode_in_products import template
from distsweep.analysis.resonance.products import (
    REACH,
    Base,
    ProductCurves,
    base_of,
    product_curves,
)
from distsweep.analysis.sweep.grid import POINTS_PER_OCTAVE
from distsweep.units import ComplexArray, FloatArray, IntArray

QS = (8.0, 14.0, 22.0, 36.0, 60.0)
"""The Qs that are tried at first (chosen: no mode is farther than 30 % from one)."""

LIKELY_SIZE = 2.0
"""A mode's c is about so many times the envelope (chosen: 6 dB of lift, from which on one is seen)."""

ROUGH_WEIGHT = 5.0
"""How rough a curve is to either side counts as so many values (chosen: a fifth of those fitted)."""

MOST_RATIO = 20.0
"""Bound of what one order may say for or against (chosen: one alone, however clear, is less than two
that agree)."""

MOST_MODES = 8
"""So many are looked for, boosts of the drive among them (chosen: twice what is ever there)."""

REMOVED_SHARE = 0.2
"""What has been found and taken off leaves values uncertain by this part of it (chosen: filters
around a mode, and a sweep that passes it fast, turn its product by so much)."""

APART_BANDWIDTHS = 2.0
"""Closer to a likelier one, what is left is that one's skirt (chosen: so far the product of a mode
is higher than REMOVED_SHARE of its top)."""

BELLS = (
    np.array([-4.0, -2.5, -1.0, 0.0, 1.0, 2.5, 4.0]),
    np.array([1.5, 3.0, 5.0, 8.0, 13.0, 25.0]),
    np.array([-8.0, -5.5, -4.0, -3.0, -2.0, -1.0, 1.0, 2.0, 3.0, 4.0]),
)
"""Boosts and cuts of the drive that are tried instead: points beside the mode, Q, gain in decibels
(chosen: what equalisers before a loudspeaker are set to, cuts at its modes among it)."""

_STEP = 2.0 ** (1.0 / POINTS_PER_OCTAVE)


def find_excited(takes: Sequence[SearchedTake]) -> list[FoundMode]:
    """Return modes that are set off where they are played, likeliest first."""
    curves = product_curves(takes)
    return [] if curves is None else _Search(curves, lifted=False).modes()


def find_lifted(takes: Sequence[SearchedTake]) -> list[FoundMode]:
    """Return modes that lift products where they are heard though the response has lost them."""
    curves = product_curves(takes)
    return [] if curves is None else _Search(curves, lifted=True).modes()


@dataclass(frozen=True, eq=False)
class _Fit:
    """Curves with and without a mode: K curves, at one place or several.

    Attributes
    ----------
    without : sum of squares that the base leaves, in variances.
    gain : by how much the mode makes that less.
    energy : one over the variance of the mode's c.
    free : independent values less the base's columns; 0 where too little is known.
    """

    without: FloatArray
    gain: FloatArray
    energy: FloatArray
    free: FloatArray

    def rough(self) -> FloatArray:
        """Return how many times its variance a curve's rest is to either side, 1 at least.

        A mode must stand out of what is not smooth around it: the geometric mean, as another mode
        there is no roughness.
        """
        known = self.free > 0.0
        level = np.log(np.maximum(self.without, 1e-6) / np.where(known, self.free, 1.0))
        kernel = np.abs(np.arange(-2 * REACH, 2 * REACH + 1)) > REACH
        inner = slice(2 * REACH, 2 * REACH + level.shape[1])
        total, count = (
            np.array([np.convolve(row, kernel)[inner] for row in rows])
            for rows in (np.where(known, level, 0.0), known.astype(float))
        )
        return np.maximum(1.0, np.exp(total / np.maximum(count, 1.0)))

    def ratio(self, rough: FloatArray, other: FloatArray | None = None) -> FloatArray:
        """Return the logarithm of how much likelier a curve is with the mode than with a rest.

        Student's: the variance is not known but from the rest and the roughness around. ``other``
        is the rest of another explanation; None for the base alone.
        """
        energy = LIKELY_SIZE**2 * self.energy / rough
        rest = np.maximum(self.without - self.gain * energy / (1.0 + energy), 0.0)
        gain = _log_ratio(self.without if other is None else other, rest, self.free, rough)
        return np.where(self.free > 0.0, gain - np.log1p(energy), 0.0)


def _log_ratio(
    one: FloatArray, other: FloatArray, free: FloatArray, rough: FloatArray
) -> FloatArray:
    prior = ROUGH_WEIGHT * rough
    return np.asarray((free + ROUGH_WEIGHT) * np.log((one + prior) / (other + prior)))


def _bounded(votes: FloatArray) -> FloatArray:
    return np.asarray(votes * MOST_RATIO / (np.abs(votes) + MOST_RATIO))


@lru_cache(maxsize=8192)
def _template(
    third: int, q: float, beside: float, power: int, order: int, constant_s: float
) -> ComplexArray:
    """Return P around a mode ``beside`` points above the middle of a window.

    ``third`` is the frequency played in thirds of an octave re 1 Hz: how a sweep shows a mode
    depends on it that little.
    """
    ratio = _STEP ** (np.arange(-REACH, REACH + 1) - beside)
    return template(
        0.5 * q * (ratio - 1.0 / ratio), frequency_hz=2.0 ** (third / 3.0) * order / power,
        q=q, power=power, order=order, rate_constant_s=constant_s,
    )  # fmt: skip


class _Search:
    """Curves, and how well a mode of every frequency and Q explains them."""

    def __init__(self, curves: ProductCurves, *, lifted: bool) -> None:
        self.curves, self._lifted = curves, lifted
        self._products = curves.orders > 1
        self._above = POINTS_PER_OCTAVE * np.log2(curves.orders) * lifted
        self._powers = [1 if lifted else n for n in curves.orders.tolist()]
        shape = curves.values.shape
        self._fits = {(q, shift): _Fit(*np.zeros((4, *shape))) for q in QS for shift in (0.0, 0.5)}
        self._scan(np.tile(np.arange(-REACH, shape[1] + REACH), (shape[0], 1)))

    def modes(self) -> list[FoundMode]:
        """Look for one after the other, and return them likeliest first."""
        found: list[FoundMode] = []
        for _ in range(MOST_MODES):
            best = (-math.inf, 0, 0.0, 0.0)
            for (q, shift), fit in self._fits.items():
                total = self._together(fit.ratio(fit.rough()))
                index = int(np.argmax(total))
                best = max(best, (float(total[index]), index, q, shift))
            if best[0] < 0.5 * MOST_RATIO:
                break
            mode = self._examined(*best[1:])
            apart = [abs(math.log(mode.frequency_hz / m.frequency_hz)) * m.q for m in found]
            if min(apart, default=math.inf) > APART_BANDWIDTHS and mode.q > LOWEST_Q:
                found.append(mode)
        return sorted(found, key=lambda mode: mode.other_log_ratio - mode.log_ratio)

    def _scan(self, points: IntArray) -> None:
        """Fit base and mode around all but the outer ``REACH`` of some points, ``(K, W)``."""
        around, inner = self.curves.at(points), np.s_[:, REACH:-REACH]
        values, precision, direct = (
            np.lib.stride_tricks.sliding_window_view(a, 2 * REACH + 1, axis=1)
            for a in (around.values, around.precision, around.direct)
        )
        columns = base_of(direct)
        base = Base(values, precision, columns)
        known = precision > 0.0
        sides = known[..., :REACH].sum(axis=-1), known[..., -REACH:].sum(axis=-1)
        share = np.where(np.minimum(*sides) >= REACH // 2, around.share[inner], 0.0)
        free = np.maximum(known.sum(axis=-1) - columns.shape[-1], 0)
        thirds = np.round(3.0 * np.log2(around.frequency_hz[inner])).astype(int)
        modes = np.empty(values.shape, dtype=np.complex128)
        for (q, shift), fit in self._fits.items():
            down = np.ceil(self._above - shift).astype(int)
            for k, n in enumerate(self.curves.orders.tolist()):
                kind = self._powers[k], n, float(self.curves.rate_constants_s[k])
                for third in range(thirds[k].min(), thirds[k].max() + 1):
                    beside = float(shift - self._above[k] + down[k])
                    modes[k, thirds[k] == third] = _template(third, q, beside, *kind)
            size, energy = base.with_mode(modes)
            places = points[inner] + down[:, None]
            row, column = np.nonzero((places >= 0) & (places < fit.free.shape[1]))
            for kept, one in (
                (fit.without, base.squares), (fit.gain, energy * np.abs(size) ** 2),
                (fit.energy, energy), (fit.free, free),
            ):  # fmt: skip
                kept[row, places[row, column]] = (share * one)[row, column]

    def _examined(self, index: int, q: float, shift: float) -> FoundMode:
        """Fit a mode, and what else may make the same; take the likelier off the curves."""
        rough = self._fits[q, shift].rough()[:, index, None]
        free = self._fits[q, shift].free[:, index, None]
        centres = index - np.ceil(self._above - shift).astype(int)
        points = centres[:, None] + np.arange(-REACH, REACH + 1)
        around = self.curves.at(points)
        share = around.share[:, REACH, None]
        base = Base(around.values[:, None], around.precision[:, None], base_of(around.direct)[:, None])

        def fitted(mode_hz: FloatArray, one: float) -> tuple[ComplexArray, _Fit]:
            modes = self._templates(around, mode_hz, one)
            size, energy = base.with_mode(modes)
            gain = share * energy * np.abs(size) ** 2
            return size[..., None] * modes, _Fit(share * base.squares, gain, share * energy, free)

        def misfits(mode_hz: FloatArray, qs: FloatArray) -> FloatArray:
            fits = [fitted(mode_hz, float(one))[1] for one in qs]
            return -np.array([self._together(fit.ratio(rough)) for fit in fits]).T

        near_hz = float(self.curves.frequency_hz[0, 0] * _STEP ** (index + shift))
        near_q = np.clip(q * 1.3 ** np.arange(-2.0, 3.0), LOWEST_Q, HIGHEST_Q)
        f0, q = narrowed_minimum(
            misfits,
            Axis(near_hz * _STEP ** np.linspace(-1.0, 1.0, 7), (5, 5, 5)),
            Axis(near_q, (5, 5, 5), lowest=LOWEST_Q, highest=HIGHEST_Q),
        ).place
        product, fit = fitted(np.array([f0]), q)
        ratios = fit.ratio(rough)
        total, other = float(self._together(ratios)[0]), self._without_best_rung(ratios)
        left, doubt = around.values - product[:, 0], REMOVED_SHARE * np.abs(product[:, 0])
        if self._lifted:
            other = min(other, self._uncut(around, product[:, 0], fit, rough))
        else:
            raised, with_bell = _bell(around, fit, rough, f0)
            bell = float(self._together(fit.ratio(rough, with_bell))[0])
            other = min(other, bell)
            if bell < 0.0:
                left, doubt = around.values / raised, np.zeros_like(doubt)
        left[~self._products] = around.values[~self._products]
        self._replace(points, left, doubt * self._products[:, None])
        keys = list(zip(self.curves.positions, self.curves.orders.tolist(), strict=True))
        said = {key: -math.inf for key in keys if key[1] > 1}
        for key, ratio in zip(keys, ratios[:, 0].tolist(), strict=True):
            said.update({key: max(said[key], ratio)} if key in said else {})
        return FoundMode(
            "radiated" if self._lifted else "excited", f0, q, total, total - other,
            tuple(Contribution(*key, ratio) for key, ratio in said.items()),
            in_response=not self._lifted,
        )  # fmt: skip

    def _templates(self, around: ProductCurves, mode_hz: FloatArray, q: float) -> ComplexArray:
        """Return P of each curve, for modes of several frequencies, shape ``(K, A, P)``."""
        made = []
        for k, n in enumerate(around.orders.tolist()):
            ratio = around.frequency_hz[k] * (n if self._lifted else 1) / mode_hz[:, None]
            made.append(template(
                0.5 * q * (ratio - 1.0 / ratio), frequency_hz=float(np.median(mode_hz)), q=q,
                power=self._powers[k], order=n, rate_constant_s=float(around.rate_constants_s[k]),
            ))  # fmt: skip
        return np.array(made)

    def _together(self, ratios: FloatArray) -> FloatArray:
        """Return what all curves say, ``(F,)``, of what each does, ``(K, F)``.

        Rungs show the same model error, so that the clearest counts; positions add up; what an
        order says is bounded.
        """
        total = np.zeros(ratios.shape[1])
        positions = np.array(self.curves.positions)
        for order in np.unique(self.curves.orders[self._products]):
            own = [(positions == p) & (self.curves.orders == order) for p in np.unique(positions)]
            votes = np.array([np.max(ratios[o], axis=0) for o in own if np.any(o)])
            total += _bounded(np.where(np.sum(votes, axis=0) > 0.0, np.sum(votes, axis=0), np.mean(votes, axis=0)))
        return total

    def _without_best_rung(self, ratios: FloatArray) -> float:
        """Return by how much a mode is likelier than what happened once, in one rung of one take.

        That is what the others say; it is rare that it looks like a mode.
        """
        takes = set(zip(self.curves.positions, self.curves.rungs.tolist(), strict=True))
        left = []
        for position, rung in takes:
            spoilt = (np.array(self.curves.positions) == position) & (self.curves.rungs == rung)
            votes = [
                float(np.sum(ratios[(self.curves.orders == n) & ~spoilt]))
                for n in np.unique(self.curves.orders[self._products])
            ]
            left.append(float(np.sum(_bounded(np.array(votes)))))
        return MOST_RATIO + min(left)

    def _uncut(
        self, around: ProductCurves, product: ComplexArray, fit: _Fit, rough: FloatArray
    ) -> float:
        """Return by how much a mode is likelier than a cut of the equaliser where there is none.

        The response would have such a cut, or half of it; where there is a mode it would be rougher
        without.
        """
        held = self._products & (fit.free[:, 0] > 0.0) & (around.rungs == 0)
        shares = product[held] / (around.values - product)[held, REACH, None]
        lift = 1.0 + np.median(shares.real, axis=0) + 1j * np.median(shares.imag, axis=0)
        heard = ~self._products & (fit.free[:, 0] > 0.0)
        parts = []
        for part in (0.5, 0.75, 1.0):
            cut = np.broadcast_to(lift**-part, around.values.shape)[:, None]
            rest = _raised_rest(around, cut)
            parts.append(np.sum(_log_ratio(fit.without, rest, fit.free, rough)[heard]))
        return -float(max(parts))

    def _replace(self, points: IntArray, values: ComplexArray, doubt: FloatArray) -> None:
        """Put other values at some points, uncertain by ``doubt`` more, and fit there again."""
        row, column = np.nonzero((points >= 0) & (points < self.curves.values.shape[1]))
        place = row, points[row, column]
        everywhere, precision = self.curves.values.copy(), self.curves.precision.copy()
        everywhere[place] = values[row, column]
        precision[place] /= 1.0 + precision[place] * doubt[row, column] ** 2
        self.curves = replace(self.curves, values=everywhere, precision=precision)
        self._scan(points[:, REACH, None] + np.arange(-3 * REACH, 3 * REACH + 1))


def _raised_rest(around: ProductCurves, raised: ComplexArray) -> FloatArray:
    """Return what bases leave that are raised by some filters, ``(K, A, P)``: shape ``(K, A)``."""
    columns = base_of(around.direct)[:, None] * raised[..., None]
    base = Base(around.values[:, None], around.precision[:, None], columns)
    return around.share[:, REACH, None] * base.squares


def _bell(
    around: ProductCurves, fit: _Fit, rough: FloatArray, near_hz: float
) -> tuple[ComplexArray, FloatArray]:
    """Return the likeliest boost or cut of the drive, as it raises each curve, and the rest."""

    def raised(curves: ProductCurves, *bell: FloatArray) -> ComplexArray:
        at_hz, q, gain_db = (a.reshape(1, -1, 1) for a in np.meshgrid(*bell, indexing="ij"))
        half, s = 10.0 ** (gain_db / 40.0), 1j * curves.frequency_hz[:, None] / at_hz
        response = (s**2 + s * half / q + 1.0) / (s**2 + s / (half * q) + 1.0)
        return np.asarray(response ** curves.orders[:, None, None])

    chosen = np.flatnonzero((around.rungs == 0) & (around.orders > 1) & (fit.free[:, 0] > 0.0))
    loudest = around.of(chosen)

    def misfits(*bell: FloatArray) -> FloatArray:
        rest = _raised_rest(loudest, raised(loudest, *bell))
        ratio = _log_ratio(fit.without[chosen], rest, fit.free[chosen], rough[chosen])
        return -np.sum(ratio, axis=0).reshape([len(a) for a in bell])

    best = narrowed_minimum(
        misfits,
        Axis(near_hz * _STEP ** BELLS[0], (5, 5, 5)),
        Axis(BELLS[1], (5, 5, 5), lowest=1.0),
        Axis(BELLS[2], (5, 5, 5), highest=float(BELLS[2][-1])),
    )
    drive = raised(around, *(np.array([value]) for value in best.place))
    return drive[:, 0], _raised_rest(around, drive)
