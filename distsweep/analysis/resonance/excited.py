"""Modes that products show: set off where they are played, or lifting what is heard.

An excited mode moves nonlinearly: its products of all orders, rungs and takes agree in the frequency
played. A mode that an equaliser has taken off the response still lifts what is made behind that
equaliser: products agree in the frequency heard, n·f. Both are looked for one after the other,
each taken off the curves before the next, so that what one leaves beside itself is not called.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from distsweep.analysis.narrowing import Axis, narrowed_minimum
from distsweep.analysis.resonance.curves import SearchedTake
from distsweep.analysis.resonance.mode import HIGHEST_Q, LOWEST_Q, Contribution, FoundMode
from distsweep.analysis.resonance.mode_in_products import template
from distsweep.analysis.resonance.products import (
    REACH,
    ROUGH_WEIGHT,
    Base,
    ProductCurves,
    Scan,
    _template,
    base_of,
    product_curves,
)
from distsweep.analysis.resonance.swept_mode import swept
from distsweep.analysis.sweep.windows import WindowSpans
from distsweep.analysis.sweep.grid import POINTS_PER_OCTAVE
from distsweep.units import ComplexArray, FloatArray, IntArray

QS = (8.0, 14.0, 22.0, 36.0, 60.0)
"""The Qs that are tried at first (chosen: no mode is farther than 30 % from one)."""

MOST_RATIO, LEAST_RATIO = 20.0, -8.0
"""Bounds of what one order may say (chosen: one alone, however clear, is less than two that agree;
what one does not share speaks little against, as a cause may make even orders alone)."""

LEAST_SEEN, MOST_MODES = 10.0, 8
"""Modes with less together are not returned; nor more than so many looked for, boosts of the drive
among them (chosen: far below what is likely one)."""

REMOVED_SHARE = 0.2
"""What has been found and taken off leaves values uncertain by this part of it (chosen: filters
around a mode turn its product by so much)."""

BELLS = (
    np.array([-4.0, -2.5, -1.0, 0.0, 1.0, 2.5, 4.0]),
    np.array([1.5, 3.0, 5.0, 8.0, 13.0, 25.0]),
    np.array([-8.0, -5.5, -4.0, -3.0, -2.0, -1.0, 1.0, 2.0, 3.0, 4.0]),
)
"""Boosts and cuts of the drive that are tried instead: points beside the mode, Q, gain in decibels
(chosen: what equalisers before a loudspeaker are set to, cuts at its modes among it)."""

STEP = 2.0 ** (1.0 / POINTS_PER_OCTAVE)


def find_excited(takes: Sequence[SearchedTake]) -> list[FoundMode]:
    """Return modes that are set off where they are played, likeliest first."""
    curves = product_curves(takes)
    return [] if curves is None else _Search(curves, lifted=False).modes()


def find_lifted(takes: Sequence[SearchedTake]) -> list[FoundMode]:
    """Return modes that lift products where they are heard though the response has lost them."""
    curves = product_curves(takes)
    return [] if curves is None else _Search(curves, lifted=True).modes()


class _Search:
    """One search: curves, and how well a mode of every frequency and Q explains them."""

    def __init__(self, curves: ProductCurves, *, lifted: bool) -> None:
        self.curves, self.lifted = curves, lifted
        self._above = POINTS_PER_OCTAVE * np.log2(curves.orders) * lifted
        shape = curves.values.shape
        self._scans = {
            (q, shift): Scan(*np.zeros((4, *shape))) for q in QS for shift in (0.0, 0.5)
        }
        self._scan(np.tile(np.arange(-REACH, shape[1] + REACH), (shape[0], 1)))

    def _power(self, order: int) -> int:
        return 1 if self.lifted else order

    def _scan(self, points: IntArray) -> None:
        """Fit base and mode around all but the outer ``REACH`` of some points, ``(K, W)``."""
        around, width = self.curves.at(points), 2 * REACH + 1
        values, precision, direct = (
            np.lib.stride_tricks.sliding_window_view(a, width, axis=1)
            for a in (around.values, around.precision, around.direct)
        )
        base = Base(values, precision, base_of(direct))
        centres = points[:, REACH:-REACH]
        share = around.share[:, REACH:-REACH]
        known = precision > 0.0
        sides = known[..., :REACH].sum(axis=-1), known[..., -REACH:].sum(axis=-1)
        free = known.sum(axis=-1) - base_of(direct[:1, :1]).shape[-1]
        share = np.where((np.minimum(*sides) >= REACH // 2), share, 0.0)
        thirds = np.round(3.0 * np.log2(around.frequency_hz[:, REACH:-REACH])).astype(int)
        for (q, shift), scan in self._scans.items():
            down = np.ceil(self._above - shift).astype(int)
            beside = shift - self._above + down
            modes = np.empty(values.shape, dtype=np.complex128)
            for k, n in enumerate(self.curves.orders.tolist()):
                for third in range(thirds[k].min(), thirds[k].max() + 1):
                    modes[k, thirds[k] == third] = _template(
                        third, q, float(beside[k]), self._power(n), n,
                        float(self.curves.rate_constants_s[k]),
                    )  # fmt: skip
            size, energy = base.with_mode(modes)
            places = centres + down[:, None]
            inside = (places >= 0) & (places < scan.free.shape[1])
            rows = np.broadcast_to(np.arange(len(places))[:, None], places.shape)[inside]
            for name, found in (("without", base.squares), ("gain", energy * np.abs(size) ** 2), ("free", free), ("energy", energy)):
                getattr(scan, name)[rows, places[inside]] = (share * found)[inside]

    def modes(self) -> list[FoundMode]:
        """Look for one after the other, and return them likeliest first."""
        found: list[FoundMode] = []
        for _ in range(MOST_MODES):
            best = (-math.inf, 0, 0.0, 0.0)
            for (q, shift), scan in self._scans.items():
                total = together(self.curves, said(scan, roughness(scan)))
                index = int(np.argmax(total))
                best = max(best, (float(total[index]), index, q, shift))
            if best[0] < LEAST_SEEN:
                break
            mode = self._examined(*best[1:])
            apart = [abs(math.log(mode.frequency_hz / m.frequency_hz)) * m.q for m in found]
            if min(apart, default=math.inf) > 1.0:
                found.append(mode)
        return sorted(found, key=lambda mode: mode.other_log_ratio - mode.log_ratio)

    def _examined(self, index: int, q: float, shift: float) -> FoundMode:
        """Fit a mode, and what else may make the same; take the likelier off the curves."""
        scan = self._scans[q, shift]
        rough, free = roughness(scan)[:, index, None], scan.free[:, index, None]
        centres = index - np.ceil(self._above - shift).astype(int)
        points = centres[:, None] + np.arange(-REACH, REACH + 1)
        around = self.curves.at(points)
        share = around.share[:, REACH, None]
        columns = base_of(around.direct)[:, None]
        base = Base(around.values[:, None], around.precision[:, None], columns)
        plain = share * base.squares
        products = self.curves.orders > 1

        def fitted(frequencies: FloatArray, one: float) -> tuple[ComplexArray, ...]:
            modes = self._templates(around, frequencies, one)
            size, energy = base.with_mode(modes)
            gain = share * energy * np.abs(size) ** 2
            rest = left_over(plain, gain, share * energy, rough)
            return size[..., None] * modes, share * energy, rest

        def misfits(frequencies: FloatArray, qs: FloatArray) -> FloatArray:
            rests = [fitted(frequencies, float(one))[2] for one in qs]
            ratios = [log_ratio(free, rough, plain, rest)[products] for rest in rests]
            return np.array([-np.sum(r, axis=0) for r in ratios]).T

        near_hz = float(self.curves.frequency_hz[0, 0] * STEP ** (index + shift))
        best = narrowed_minimum(
            misfits,
            Axis(near_hz * STEP ** np.linspace(-1.0, 1.0, 7), (5, 5, 5)),
            Axis(
                np.clip(q * np.array([0.6, 0.75, 1.0, 1.3, 1.6]), LOWEST_Q, HIGHEST_Q), (5, 5, 5),
                lowest=LOWEST_Q, highest=HIGHEST_Q,
            ),
        )  # fmt: skip
        product, energy, rest = fitted(np.array([best.place[0]]), best.place[1])
        if EXACT and not self.lifted and float(together(self.curves, np.where(free > 0, log_ratio(free, rough, plain, rest), 0.0))[0]) > 25.0:
            modes = self._swept(around, *best.place)[:, None]
            size, energy = base.with_mode(modes)
            gain = share * energy * np.abs(size) ** 2
            exact = left_over(plain, gain, share * energy, rough)
            product, energy, rest = size[..., None] * modes, share * energy, exact
        cost = np.log1p(TAU * energy / rough)
        ratios = np.where((free > 0.0) & products[:, None], log_ratio(free, rough, plain, rest) - cost, 0.0)
        total = float(together(self.curves, ratios)[0])
        margin = _without_best_rung(self.curves, ratios)
        left = around.values - product[:, 0]
        doubt = REMOVED_SHARE * np.abs(product[:, 0])
        left[~products], doubt[~products] = around.values[~products], 0.0
        if self.lifted:
            held = np.flatnonzero(products & (free[:, 0] > 0.0) & (around.rungs == 0))
            beside = around.values[held, REACH] - product[held, 0, REACH]
            shares = product[held, 0] / beside[:, None]
            lift = 1.0 + np.median(shares.real, axis=0) + 1j * np.median(shares.imag, axis=0)
            cut = np.where(products[:, None], 1.0, 1.0 / lift)[:, None]
            vote = max(
                _response_says(self.curves, free, rough, plain, raised_rest(around, cut**part))
                for part in (0.5, 0.75, 1.0)
            )
            DEBUG.append((best.place[0], margin, vote))
            margin = min(margin, -vote)
        else:
            drive, with_bell = _bell(around, rough, free, plain, best.place[0])
            against = np.where(free > 0.0, log_ratio(free, rough, with_bell, rest) - cost, 0.0)
            bell_margin = float(together(self.curves, against)[0])
            DEBUG.append((round(best.place[0], 1), bell_margin, margin, drive[1]))
            margin = min(margin, bell_margin)
            if bell_margin < 0.0:
                left, doubt = around.values / drive[0], 0.0 * doubt
        self._replace(points, left, doubt)
        return FoundMode(
            "radiated" if self.lifted else "excited", *best.place, total, total - margin,
            tuple(_contributions(self.curves, ratios)), in_response=not self.lifted,
        )  # fmt: skip

    def _templates(self, around: ProductCurves, mode_hz: FloatArray, q: float) -> ComplexArray:
        """Return what a mode makes of each curve, for several frequencies, ``(K, A, P)``."""
        made = []
        for row, n in enumerate(around.orders.tolist()):
            heard = n if self.lifted else 1
            ratio = heard * around.frequency_hz[row] / mode_hz[:, None]
            made.append(template(
                0.5 * q * (ratio - 1.0 / ratio), frequency_hz=float(np.median(mode_hz)), q=q,
                power=self._power(n), order=n, rate_constant_s=float(around.rate_constants_s[row]),
            ))  # fmt: skip
        return np.array(made)

    def _swept(self, around, mode_hz, q):
        made = {}
        for row, n in enumerate(around.orders.tolist()):
            key = n, float(around.rate_constants_s[row])
            if key not in made:
                spans = WindowSpans(n, n * float(self.curves.frequency_hz[0, 0]), key[1])
                made[key] = swept(around.frequency_hz[row], mode_hz=mode_hz, q=q, order=n, rate_constant_s=key[1], spans=spans)
        return np.array([made[n, float(c)] for n, c in zip(around.orders.tolist(), around.rate_constants_s)])

    def _replace(self, points: IntArray, values: ComplexArray, doubt: FloatArray) -> None:
        """Put other values at some points, uncertain by ``doubt`` more, and scan there again."""
        row, column = np.nonzero((points >= 0) & (points < self.curves.values.shape[1]))
        place = row, points[row, column]
        everywhere, precision = self.curves.values.copy(), self.curves.precision.copy()
        everywhere[place] = values[row, column]
        before = precision[place]
        precision[place] = before / (1.0 + before * doubt[row, column] ** 2)
        self.curves = replace(self.curves, values=everywhere, precision=precision)
        self._scan(points[:, REACH, None] + np.arange(-3 * REACH, 3 * REACH + 1))


DEBUG = []
EXACT = True


def roughness(scan: Scan) -> FloatArray:
    """Return how many times its variance a curve's rest is on either side, 1 at least, ``(K, F)``.

    A mode must stand out of what is not smooth around it: the geometric mean, as another mode there
    is no roughness.
    """
    known = scan.free > 0.0
    level = np.log(np.maximum(scan.without, 1e-6) / np.where(known, scan.free, 1.0))
    kernel = (np.abs(np.arange(-2 * REACH, 2 * REACH + 1)) > REACH).astype(float)

    def summed(rows: FloatArray) -> FloatArray:
        inner = slice(2 * REACH, 2 * REACH + rows.shape[1])
        return np.array([np.convolve(row, kernel)[inner] for row in rows])

    total = summed(np.where(known, level, 0.0))
    return np.maximum(1.0, np.exp(total / np.maximum(summed(known.astype(float)), 1.0)))


def log_ratio(free: FloatArray, rough: FloatArray, one: FloatArray, other: FloatArray) -> FloatArray:
    """Return how much likelier a curve is with a rest ``other`` than with ``one``, as logarithm.

    Student's: the variance is not known but from the rest itself and the roughness around.
    """
    prior = ROUGH_WEIGHT * rough
    return np.asarray((free + ROUGH_WEIGHT) * np.log((one + prior) / (other + prior)))


def left_over(without, gain, energy, rough):
    """Return the rest with a mode whose c is about the envelope: no more than that is likely."""
    return np.maximum(without - gain * energy / (energy + rough / TAU), 0.0)


def said(scan: Scan, rough: FloatArray) -> FloatArray:
    """Return what every curve says of a mode: its log ratio, less what its free c explains."""
    rest = left_over(scan.without, scan.gain, scan.energy, rough)
    ratio = log_ratio(scan.free, rough, scan.without, rest) - np.log1p(TAU * scan.energy / rough)
    return np.where(scan.free > 0.0, ratio, 0.0)


def _response_says(curves, free, rough, plain, rest) -> float:
    ratio = np.where(free > 0.0, log_ratio(free, rough, plain, rest), 0.0)[curves.orders == 1]
    return float(np.clip(np.sum(ratio), -MOST_RATIO, MOST_RATIO))


def raised_rest(around: ProductCurves, raised: ComplexArray) -> FloatArray:
    columns = base_of(around.direct)[:, None] * raised[..., None]
    base = Base(around.values[:, None], around.precision[:, None], columns)
    return around.share[:, REACH, None] * base.squares


def _contributions(curves: ProductCurves, ratios: FloatArray) -> list[Contribution]:
    """Return the mean of an order's rungs, ratios being of shape ``(K, 1)``."""
    keys = list(zip(curves.positions, curves.orders.tolist(), strict=True))
    return [
        Contribution(*key, float(np.max([r for r, k in zip(ratios, keys, strict=True) if k == key])))
        for key in dict.fromkeys(keys)
        if key[1] > 1
    ]


def together(curves: ProductCurves, ratios: FloatArray) -> FloatArray:
    """Return what all curves say, ``(F,)``, of what each does, ``(K, F)``.

    Rungs show the same model error, so that the clearest counts; positions add up; what an order
    says is bounded.
    """
    total = np.zeros(ratios.shape[1])
    positions = np.array(curves.positions)
    for order in np.unique(curves.orders[curves.orders > 1]):
        vote = np.zeros(ratios.shape[1])
        for position in np.unique(positions):
            own = (positions == position) & (curves.orders == order)
            if np.any(own):
                vote += np.max(ratios[own], axis=0)
        above = np.maximum(vote, 0.0)
        total += above * MOST_RATIO / (above + MOST_RATIO) + np.clip(vote, LEAST_RATIO, 0.0)
    return total


def _without_best_rung(curves: ProductCurves, ratios: FloatArray) -> float:
    """Return what is said together if one rung of one take, the one that says most, is spoilt."""
    rest = []
    for position, rung in set(zip(curves.positions, curves.rungs.tolist(), strict=True)):
        kept = ~((np.array(curves.positions) == position) & (curves.rungs == rung))
        votes = [np.sum(ratios[kept & (curves.orders == n)]) for n in np.unique(curves.orders[curves.orders > 1])]
        rest.append(sum(v * MOST_RATIO / (abs(v) + MOST_RATIO) for v in votes))
    return float(min(rest)) + KNOCK


KNOCK = 30.0
TAU = 4.0


def _bell(around: ProductCurves, rough: FloatArray, free: FloatArray, plain: FloatArray, near_hz: float):
    """Return the likeliest boost or cut of the drive, as it raises each curve, and its rest."""

    def rests(chosen: IntArray, *bell: FloatArray) -> tuple[ComplexArray, FloatArray]:
        at_hz, q, gain_db = np.meshgrid(*bell, indexing="ij")
        a = 10.0 ** (gain_db / 40.0)
        s = 1j * around.frequency_hz[0] / at_hz[..., None] if False else None
        s = 1j * around.frequency_hz[chosen][:, None] / at_hz.reshape(1, -1, 1)
        upper, lower = (x.reshape(1, -1, 1) for x in (a / q, 1.0 / (a * q)))
        raised = ((s**2 + s * upper + 1.0) / (s**2 + s * lower + 1.0)) ** around.orders[chosen][:, None, None]
        columns = base_of(around.direct[chosen])[:, None] * raised[..., None]
        base = Base(around.values[chosen][:, None], around.precision[chosen][:, None], columns)
        return raised, around.share[chosen, REACH, None] * base.squares

    loudest = np.flatnonzero((around.rungs == 0) & (around.orders > 1))

    def misfits(*bell: FloatArray) -> FloatArray:
        ratio = log_ratio(free[loudest], rough[loudest], plain[loudest], rests(loudest, *bell)[1])
        ratio = np.where(free[loudest] > 0.0, ratio, 0.0)
        return -np.sum(ratio, axis=0).reshape([len(a) for a in bell])

    best = narrowed_minimum(
        misfits,
        Axis(near_hz * STEP ** BELLS[0], (5, 5, 5)),
        Axis(BELLS[1], (5, 5, 5), lowest=1.0),
        Axis(BELLS[2], (5, 5, 5), highest=4.5),
    )
    raised, rest = rests(np.arange(len(rough)), *(np.array([x]) for x in best.place))
    return (raised[:, 0], best.place), rest
