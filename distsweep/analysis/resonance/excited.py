"""Modes that products show: set off where they are played, or lifting what is heard.

An excited mode moves nonlinearly: its products of all orders, rungs and takes agree in the
frequency played. A mode that an equaliser has taken off the response still lifts what is made
behind that equaliser: products agree in the frequency heard, n·f. Either kind is looked for one by
one, each taken off the curves before the next, so that what it leaves beside itself is not called.

Where the driver that radiates n·f is not the one that makes the product, the room does not divide
out: the curve is rough all around, and a mode is not told from that.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np

from distsweep.analysis.narrowing import Axis, narrowed_minimum
from distsweep.analysis.resonance.curves import SearchedTake
from distsweep.analysis.resonance.drive_bell import likeliest_bell, raised_rest
from distsweep.analysis.resonance.mode import (
    HIGHEST_HZ,
    HIGHEST_Q,
    LEAST_Q,
    LOWEST_Q,
    Contribution,
    FoundMode,
    by_order,
)
from distsweep.analysis.resonance.passed import template
from distsweep.analysis.resonance.products import (
    LEAST_SIZE,
    REACH,
    STEP,
    Base,
    ModeFit,
    ProductCurves,
    Windows,
    base_of,
    log_ratio,
    product_curves,
)
from distsweep.analysis.sweep.grid import POINTS_PER_OCTAVE
from distsweep.units import ComplexArray, FloatArray, IntArray

QS = (8.0, 14.0, 22.0, 36.0, 60.0)
"""The Qs that are tried at first (chosen: no mode is farther than 30 % from one)."""

MOST_RATIO = 20.0
"""Bound of what one order may say for or against (chosen: one alone, however clear, is less than
two that agree). All of it is the least of what lifts; half of it the least that is returned, and
by so much what happens once is less likely to look like a mode than a mode is."""

MOST_MODES = 8
"""So many are looked for, boosts of the drive among them (chosen: bounds the time; the simulated
loudspeakers have three excited modes at most)."""

LEAST_MARGIN = 5.0
"""What lifts must be likelier than a cut of the equaliser without a mode, and than what happened
once, by this, as a logarithm (chosen: 150 times)."""

REMOVED_SHARE = 0.2
"""What has been found and taken off leaves values uncertain by this part of it (chosen: filters
around a mode, and a sweep that passes it fast, turn its product by so much)."""

APART_BANDWIDTHS = 2.0
"""Closer to a likelier one, what is left is that one's skirt (chosen: as far as what is left of
modes of Q 25 to 44 lay, which a sweep of 6 s passes fast, on simulated loudspeakers)."""


def find_in_products(takes: Sequence[SearchedTake]) -> list[FoundMode]:
    """Return modes that are set off where they are played, likeliest first, and then those that
    lift products where they are heard though the response has lost them.
    """
    curves = product_curves(takes)
    if curves is None:
        return []
    count, size = curves.values.shape
    windows = Windows(curves, np.tile(np.arange(-REACH, size + REACH), (count, 1)))
    searches = [_Search(curves, windows, lifted=lifted) for lifted in (False, True)]
    return [mode for search in searches for mode in search.modes()]


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
    ratio = STEP ** (np.arange(-REACH, REACH + 1) - beside)
    return template(
        0.5 * q * (ratio - 1.0 / ratio), frequency_hz=2.0 ** (third / 3.0) * order / power,
        q=q, power=power, order=order, rate_constant_s=constant_s,
    )  # fmt: skip


class _Search:
    """Curves, and how well a mode of every frequency and Q explains them."""

    def __init__(self, curves: ProductCurves, windows: Windows, *, lifted: bool) -> None:
        self.curves, self._lifted = curves, lifted
        self._least = 0.0 if lifted else LEAST_SIZE
        self._products = curves.orders > 1
        self._above = POINTS_PER_OCTAVE * np.log2(curves.orders) * lifted
        self._powers = [1 if lifted else n for n in curves.orders.tolist()]
        shape = curves.values.shape
        self._fits = {
            (q, shift): ModeFit(*np.zeros((4, *shape))) for q in QS for shift in (0.0, 0.5)
        }
        self._scan(windows)

    def modes(self) -> list[FoundMode]:
        """Look for one after the other, and return them likeliest first."""
        found: list[FoundMode] = []
        for _ in range(MOST_MODES):
            best = (-math.inf, 0, 0.0, 0.0)
            for (q, shift), fit in self._fits.items():
                total = self._together(fit.ratio(fit.rough(), self._least))
                total = np.where(self.curves.frequency_hz[0] <= HIGHEST_HZ, total, 0.0)
                index = int(np.argmax(total))
                best = max(best, (float(total[index]), index, q, shift))
            if best[0] < 0.5 * MOST_RATIO:
                break
            mode = self._examined(*best[1:])
            apart = [abs(math.log(mode.frequency_hz / m.frequency_hz)) * m.q for m in found]
            sure = not self._lifted or mode.strength >= MOST_RATIO
            if sure and min(apart, default=math.inf) > APART_BANDWIDTHS and mode.q >= LEAST_Q:
                found.append(mode)
        return sorted(found, key=lambda mode: -mode.strength)

    def _scan(self, windows: Windows) -> None:
        """Fit a mode around the places of some windows."""
        rows, thirds = windows.rows, np.round(3.0 * np.log2(windows.frequency_hz)).astype(int)
        downs = [np.ceil(self._above - shift).astype(int) for _, shift in self._fits]
        modes = np.empty((len(rows), 2 * REACH + 1, len(downs)), dtype=np.complex128)
        for k, n in enumerate(self.curves.orders.tolist()):
            kind = self._powers[k], n, float(self.curves.rate_constants_s[k])
            for third in np.unique(thirds[rows == k]).tolist():
                modes[(rows == k) & (thirds == third)] = np.stack([
                    _template(third, q, float(shift - self._above[k] + down[k]), *kind)
                    for (q, shift), down in zip(self._fits, downs, strict=True)
                ], axis=-1)  # fmt: skip
        sizes, energies = windows.base.with_modes(modes)
        share = windows.share
        for t, (down, fit) in enumerate(zip(downs, self._fits.values(), strict=True)):
            places = windows.points + down[rows]
            inside = (places >= 0) & (places < fit.free.shape[1])
            for kept, one in (
                (fit.without, share * windows.base.squares), (fit.size, np.abs(sizes[:, t])),
                (fit.energy, share * energies[:, t]), (fit.free, share * windows.free),
            ):  # fmt: skip
                kept[rows[inside], places[inside]] = one[inside]

    def _examined(self, index: int, q: float, shift: float) -> FoundMode:
        """Fit a mode, and what else may make the same; take the likelier off the curves."""
        rough = self._fits[q, shift].rough()[:, index, None]
        centres = index - np.ceil(self._above - shift).astype(int)
        points = centres[:, None] + np.arange(-REACH, REACH + 1)
        around = self.curves.at(points)
        place, product, fit = self._refined(around, index, q, shift, rough)
        ratios = fit.ratio(rough, self._least)
        total, margin = float(self._together(ratios)[0]), self._without_best_rung(ratios)
        left, doubt = around.values - product, REMOVED_SHARE * np.abs(product)
        if self._lifted:
            margin = min(margin, self._uncut(around, product, fit, rough))
        else:
            raised, with_bell = likeliest_bell(around, fit, rough, place[0])
            than_bell = float(self._together(fit.ratio(rough, self._least, with_bell))[0])
            margin = min(margin, than_bell)
            if than_bell < 0.0:
                left, doubt = around.values / raised, np.zeros_like(doubt)
        left[~self._products] = around.values[~self._products]
        self._replace(points, left, doubt * self._products[:, None])
        if self._lifted:
            said = self._contributions(ratios)
            two = self._second_order(said) if margin >= LEAST_MARGIN else 0.0
            return FoundMode("radiated", *place, two, 0.0, said, in_response=False)
        return FoundMode("excited", *place, total, total - margin, self._contributions(ratios))

    @staticmethod
    def _second_order(said: Sequence[Contribution]) -> float:
        """Return what the second clearest order says: one alone may be set off where played."""
        sums = sorted(by_order(said).values())
        return max(sums[-2], 0.0) if len(sums) > 1 else 0.0

    def _refined(
        self, around: ProductCurves, index: int, q: float, shift: float, rough: FloatArray
    ) -> tuple[tuple[float, float], ComplexArray, ModeFit]:
        """Return frequency and Q that all orders make likeliest, c·P and the fit of each curve."""
        share, free = around.share[:, REACH, None], self._fits[q, shift].free[:, index, None]
        base = Base(around.values, around.precision, base_of(around.direct))

        def fitted(mode_hz: FloatArray, one: float) -> tuple[ComplexArray, ModeFit]:
            modes = self._templates(around, mode_hz, one)
            size, energy = base.with_modes(modes)
            fit = ModeFit(share * base.squares[:, None], np.abs(size), share * energy, free)
            return size[:, None] * modes, fit

        def misfits(mode_hz: FloatArray, qs: FloatArray) -> FloatArray:
            fits = [fitted(mode_hz, float(one))[1] for one in qs]
            return -np.array([self._together(fit.ratio(rough, self._least)) for fit in fits]).T

        near_hz = float(self.curves.frequency_hz[0, 0] * STEP ** (index + shift))
        near_q = np.clip(q * 1.3 ** np.arange(-2.0, 3.0), LOWEST_Q, HIGHEST_Q)
        mode_hz, mode_q = narrowed_minimum(
            misfits,
            Axis(near_hz * STEP ** np.linspace(-1.0, 1.0, 7), (5, 5, 5)),
            Axis(near_q, (5, 5, 5), lowest=LOWEST_Q, highest=HIGHEST_Q),
        ).place
        product, fit = fitted(np.array([mode_hz]), mode_q)
        return (mode_hz, mode_q), product[..., 0], fit

    def _contributions(self, ratios: FloatArray) -> tuple[Contribution, ...]:
        """Return what the clearest rung of every order of every take says, from ``(K, 1)``."""
        said: dict[tuple[str, int], float] = {}
        for position, order, ratio in zip(
            self.curves.positions, self.curves.orders.tolist(), ratios[:, 0].tolist(), strict=True
        ):
            if order > 1:
                said[position, order] = max(said.get((position, order), -math.inf), ratio)
        return tuple(Contribution(*key, ratio) for key, ratio in said.items())

    def _templates(self, around: ProductCurves, mode_hz: FloatArray, q: float) -> ComplexArray:
        """Return P of each curve, for modes of several frequencies, shape ``(K, P, A)``."""
        made, middle_hz = [], float(np.median(mode_hz))
        for k, n in enumerate(around.orders.tolist()):
            ratio = around.frequency_hz[k, :, None] * (n if self._lifted else 1) / mode_hz
            made.append(template(
                0.5 * q * (ratio - 1.0 / ratio), frequency_hz=middle_hz, q=q,
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
            vote = np.sum(votes, axis=0)
            # What an order does not share no more speaks against it for being seen from everywhere.
            total += _bounded(np.where(vote > 0.0, vote, vote / len(votes)))
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
        return 0.5 * MOST_RATIO + min(left)

    def _uncut(
        self, around: ProductCurves, product: ComplexArray, fit: ModeFit, rough: FloatArray
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
            rest = raised_rest(around, cut)
            parts.append(np.sum(log_ratio(fit.without, rest, fit.free, rough)[heard]))
        return -float(max(parts))

    def _replace(self, points: IntArray, values: ComplexArray, doubt: FloatArray) -> None:
        """Put other values at some points, uncertain by ``doubt`` more, and fit there again."""
        row, column = np.nonzero((points >= 0) & (points < self.curves.values.shape[1]))
        place = row, points[row, column]
        everywhere, precision = self.curves.values.copy(), self.curves.precision.copy()
        everywhere[place] = values[row, column]
        precision[place] /= 1.0 + precision[place] * doubt[row, column] ** 2
        self.curves = replace(self.curves, values=everywhere, precision=precision)
        near = points[:, REACH, None] + np.arange(-3 * REACH, 3 * REACH + 1)
        self._scan(Windows(self.curves, near))
