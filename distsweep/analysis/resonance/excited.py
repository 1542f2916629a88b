"""Modes that show in the products alone: set off where they are played, or lifting what is heard.

An excited mode moves nonlinearly: its products of all orders, rungs and takes agree in the frequency
played. A mode that an equaliser has taken off the response still lifts the products, which have not
passed that equaliser: they agree in the frequency heard, n·f.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.narrowing import Axis, narrowed_minimum
from distsweep.analysis.resonance.curves import SearchedTake
from distsweep.analysis.resonance.mode import HIGHEST_Q, LOWEST_Q, Contribution, FoundMode
from distsweep.analysis.resonance.mode_in_products import template
from distsweep.analysis.resonance.products import (
    Fits,
    ProductCurves,
    base_columns,
    base_prior,
    fit_everywhere,
    log_ratio,
    product_curves,
    reach_points,
    roughness,
)
from distsweep.analysis.sweep.grid import POINTS_PER_OCTAVE
from distsweep.units import ComplexArray, FloatArray

QS, SHIFTS = (8.0, 14.0, 22.0, 36.0, 60.0), (0.0, 0.5)
"""The Qs and the places between grid points that are tried (chosen: no mode is farther than 30 % or a
192nd of an octave from one)."""

MOST_RATIO, LEAST_RATIO = 20.0, -1.0
"""Bounds of what one order of one take may say (chosen: one alone, however clear, is less than two
that agree; what one does not share speaks little against, as a cause may make even orders alone)."""

LEAST_SEEN = 8.0
"""Modes with less together are not returned (chosen: far below what is likely one)."""

REMOVED_SHARE = 0.1
"""What has been found and taken off leaves values uncertain by this part of it (chosen)."""

MOST_MODES = 8
"""So many are looked for, other explanations among them (chosen)."""

BELL_QS, BELL_GAINS_DB, BELL_PLACES = (1.5, 3.0, 5.0, 8.0, 13.0, 25.0), (-8.0, -5.5, -4.0, -3.0, -2.0, -1.0, 1.0, 2.0, 3.0, 4.0), (-4.0, -2.5, -1.0, 0.0, 1.0, 2.5, 4.0)
"""Boosts and cuts of the drive that are tried instead: Q, gain, points beside the mode (chosen: what
equalisers before a loudspeaker are set to)."""
DEBUG = []


@dataclass(frozen=True, eq=False)
class _Around:
    """The curves around one place.

    Attributes
    ----------
    curves : those with enough known, on the window's part of the grid, shape ``(K, P)``.
    rough, share : of each, shape ``(K,)``.
    """

    curves: ProductCurves
    rough: FloatArray
    free: FloatArray

    def rest(self, values: ComplexArray, modes: ComplexArray | None = None) -> FloatArray:
        """values (K, ..., P), modes (K, ..., P) -> (K, ...)."""
        root = np.sqrt(self.curves.precision)
        basis = root[..., None] * base_columns(self.curves.direct)
        prior = np.broadcast_to(np.sqrt(base_prior()), (len(basis), *base_prior().shape))
        ortho = np.linalg.qr(np.concatenate([basis, prior], axis=1))[0][:, : root.shape[1]]
        shape = (len(root), -1, root.shape[1])

        def seen(a: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
            rows = a.reshape(shape) * root[:, None]
            return rows, rows @ ortho.conj()

        rows, part = seen(values)
        squares = np.sum(np.abs(rows) ** 2, axis=-1) - np.sum(np.abs(part) ** 2, axis=-1)
        if modes is not None:
            mode, own = seen(modes)
            size = np.sum(np.abs(mode) ** 2, axis=-1) - np.sum(np.abs(own) ** 2, axis=-1)
            cross = np.sum(mode.conj() * rows, axis=-1) - np.sum(own.conj() * part, axis=-1)
            squares = squares - np.abs(cross) ** 2 / np.maximum(size, 1e-9)
        lead = modes.shape[:-1] if modes is not None else values.shape[:-1]
        share = self.curves.independent[:, root.shape[1] // 2]
        return np.maximum(squares.reshape(lead), 0.0) * share.reshape(-1, *[1] * (len(lead) - 1))

    def rest_raised(self, values: ComplexArray, raised: ComplexArray) -> FloatArray:
        """values (K, P); raised (K, A, P) -> (K, A)."""
        root = np.sqrt(self.curves.precision)
        base = root[..., None] * base_columns(self.curves.direct)
        basis = np.ascontiguousarray(base[:, None] * raised[..., None])
        turned = np.swapaxes(basis.conj(), -1, -2)
        target = (root * values)[:, None, :, None]
        seen = turned @ target
        gram = turned @ basis + base_prior()
        kept = np.sum(seen.conj() * np.linalg.solve(gram, seen), axis=(-1, -2)).real
        share = self.curves.independent[:, root.shape[1] // 2, None]
        return np.maximum(np.sum(np.abs(target) ** 2, axis=(-1, -2)) - kept, 0.0) * share

    def modes(self, frequency_hz: FloatArray, q: float, *, lifted: bool = False) -> ComplexArray:
        """(K, A, P)"""
        made = []
        for order, constant_s in zip(self.curves.orders, self.curves.rate_constants_s, strict=True):
            n = int(order)
            heard = n if lifted else 1
            ratio = heard * self.curves.frequency_hz / frequency_hz[:, None]
            made.append(template(
                0.5 * q * (ratio - 1.0 / ratio), frequency_hz=float(np.median(frequency_hz)),
                q=q, power=1 if lifted else n, order=n, rate_constant_s=float(constant_s),
            ))  # fmt: skip
        return np.array(made)


class _Search:
    def __init__(self, curves: ProductCurves) -> None:
        self.curves = curves
        self.fits = {(q, s): fit_everywhere(curves, q, s, lifted=False) for q in QS for s in SHIFTS}

    def again(self, first: int, last: int) -> None:
        """Fit again between two points, after the values there have changed."""
        for (q, shift), fits in self.fits.items():
            reach = reach_points(q)
            low, high = max(0, first - 2 * reach), min(len(self.curves.frequency_hz), last + 2 * reach)
            new = fit_everywhere(self.curves.between(low, high), q, shift, lifted=False)
            a, b = (low if low == 0 else low + reach), (high if high == len(self.curves.frequency_hz) else high - reach)
            for name in ("without", "rest", "free", "energy"):
                getattr(fits, name)[:, a:b] = getattr(new, name)[:, a - low : b - low]

    def ratios(self, q: float, shift: float) -> tuple[FloatArray, FloatArray]:
        fits = self.fits[q, shift]
        rough = roughness(fits, q)
        gain = log_ratio(fits.free, rough, fits.without, fits.rest)
        return np.where(fits.free > 0.0, gain - np.log1p(fits.energy / rough), 0.0), rough


def bounded(ratio):
    up = np.maximum(ratio, 0.0)
    return up * MOST_RATIO / (up + MOST_RATIO) + np.clip(ratio, LEAST_RATIO, 0.0)


def together(curves: ProductCurves, ratios: FloatArray) -> tuple[FloatArray, list[tuple[str, int, FloatArray]]]:
    """Sum over orders of what rungs say in the mean and positions together, each within bounds."""
    parts = []
    total = np.zeros(ratios.shape[1:])
    for order in np.unique(curves.orders):
        votes = []
        for position in dict.fromkeys(curves.positions):
            own = [k for k, p in enumerate(curves.positions) if p == position and curves.orders[k] == order]
            if own:
                votes.append(np.mean(ratios[own], axis=0))
                parts.append((position, int(order), votes[-1]))
        total = total + bounded(np.sum(votes, axis=0))
    return total, parts


def find_excited(takes: Sequence[SearchedTake]) -> list[FoundMode]:
    """Return modes that are set off where they are played, likeliest first."""
    curves = product_curves(takes)
    if curves is None:
        return []
    search = _Search(curves)
    found = []
    for _ in range(MOST_MODES):
        best = None
        for q, shift in search.fits:
            ratios, rough = search.ratios(q, shift)
            total = together(curves, ratios)[0]
            i = int(np.argmax(total))
            if best is None or total[i] > best[0]:
                best = (float(total[i]), i, q, shift, rough[:, i], search.fits[q, shift].free[:, i])
        if best[0] < LEAST_SEEN:
            break
        mode, explained, (first, last), removed = _examined(search.curves, *best[1:])
        if mode is not None:
            found.append(mode)
        values = search.curves.values.copy()
        values[:, first:last] = explained
        precision = search.curves.precision.copy()
        here = precision[:, first:last]
        precision[:, first:last] = here / (1.0 + here * (REMOVED_SHARE * np.abs(removed)) ** 2)
        search.curves = replace(search.curves, values=values, precision=precision)
        search.again(first, last)
    return sorted(found, key=lambda m: -(m.log_ratio - m.other_log_ratio))


def _bells(frequency_hz: FloatArray, at_hz, q, gain_db) -> ComplexArray:
    """Responses of bells, shape (A, B, C, P)."""
    s = 1j * frequency_hz / at_hz[:, None, None, None]
    a = 10.0 ** (gain_db / 40.0)[:, None]
    q = q[:, None, None]
    whole = s**2 + 1.0
    return np.asarray((whole + s * (a / q)) / (whole + s / (a * q)))


def _best_bell(around, values, plain, f0):
    def raised(at_hz, q, gain_db):
        bells = _bells(around.curves.frequency_hz, at_hz, q, gain_db).reshape(-1, values.shape[-1])
        power = {1: bells}
        for n in range(2, 6):
            power[n] = power[n - 1] * bells
        return np.array([power[int(n)] for n in around.curves.orders])

    def misfits(at_hz, q, gain_db):
        rest = around.rest_raised(values[:, 0], raised(at_hz, q, gain_db)).reshape(len(values), len(at_hz), len(q), len(gain_db))
        one = (slice(None), None, None, None)
        return -np.sum(log_ratio(around.free[one], around.rough[one], plain[one], rest), axis=0)

    step = 2.0 ** (1.0 / POINTS_PER_OCTAVE)
    best = narrowed_minimum(
        misfits,
        Axis(f0 * step ** np.array(BELL_PLACES), (5, 5, 5)),
        Axis(np.array(BELL_QS), (5, 5, 5), lowest=1.0, highest=40.0),
        Axis(np.array(BELL_GAINS_DB), (5, 5, 5), lowest=-12.0, highest=6.0),
    )
    bell = raised(*(np.array([x]) for x in best.place))
    return best.place, around.rest_raised(values[:, 0], bell)[:, 0], values[:, 0] / bell[:, 0]


def _examined(curves: ProductCurves, index: int, q: float, shift: float, rough: FloatArray, free: FloatArray):
    reach = reach_points(q)
    first, last = max(0, index - reach), min(len(curves.frequency_hz), index + reach + 1)
    around = _Around(curves.between(first, last), rough, free)
    start_hz = float(curves.frequency_hz[index] * 2.0 ** (shift / POINTS_PER_OCTAVE))
    values = around.curves.values[:, None]
    plain = around.rest(values)

    def misfits(frequencies: FloatArray, qs: FloatArray) -> FloatArray:
        columns = []
        for one in qs:
            rest = around.rest(values, around.modes(frequencies, float(one)))
            ratio = log_ratio(free[:, None], rough[:, None], plain, rest)
            columns.append(-np.sum(ratio, axis=0))
        return np.array(columns).T

    step = 2.0 ** (1.0 / POINTS_PER_OCTAVE)
    best = narrowed_minimum(
        misfits,
        Axis(start_hz * step ** np.linspace(-1.0, 1.0, 7), (5, 5, 5)),
        Axis(np.clip(q * np.array([0.6, 0.75, 1.0, 1.3, 1.6]), LOWEST_Q, HIGHEST_Q), (5, 5, 5), lowest=LOWEST_Q, highest=HIGHEST_Q),
    )
    f0, q0 = best.place
    modes = around.modes(np.array([f0]), q0)
    rest = around.rest(values, modes)[:, 0]
    plain = plain[:, 0]
    root2 = around.curves.precision
    energy = np.sum(root2 * np.abs(modes[:, 0]) ** 2, axis=1) * around.curves.independent[:, 0]
    ratio = np.where(free > 0, log_ratio(free, rough, plain, rest) - np.log1p(energy / rough), 0.0)
    total, parts = together(curves, ratio[:, None])
    bell, with_bell, undone = _best_bell(around, values, plain, f0)
    margin = together(curves, np.where(free > 0, log_ratio(free, rough, with_bell, rest) - np.log1p(energy / rough), 0.0)[:, None])[0]
    knock = _one_rung(curves, ratio)
    bell_margin = float(margin[0])
    margin = min(bell_margin, knock)
    DEBUG.append((round(f0, 1), tuple(np.round(bell, 2)), round(bell_margin, 1), round(knock, 1)))
    mode = FoundMode(
        "excited", f0, q0, float(total[0]), float(total[0]) - margin,
        tuple(Contribution(p, n, float(v[0])) for p, n, v in parts),
    )
    if bell_margin < 0 and knock > bell_margin:
        return mode, undone, (first, last), 0.0 * undone
    # deflate
    gain = _coefficient(around, values[:, 0], modes[:, 0])
    removed = gain[:, None] * modes[:, 0]
    return mode, values[:, 0] - removed, (first, last), removed


def _one_rung(curves: ProductCurves, ratio: FloatArray) -> float:
    """Return what all say together but for the one rung of one take that says most."""
    best = np.inf
    for position, rung in {*zip(curves.positions, curves.rungs.tolist(), strict=True)}:
        spoilt = np.array([p == position for p in curves.positions]) & (curves.rungs == rung)
        # What is left counts as the mean of the two rungs does.
        best = min(best, float(together(curves, np.where(spoilt, 0.0, ratio)[:, None])[0][0]))
    return best


def _coefficient(around: _Around, values: ComplexArray, modes: ComplexArray) -> ComplexArray:
    root = np.sqrt(around.curves.precision)
    out = []
    bc = base_columns(around.curves.direct)
    pr = np.sqrt(base_prior())
    for k in range(len(values)):
        basis = np.column_stack([bc[k], modes[k]]) * root[k][:, None]
        basis = np.vstack([basis, np.pad(pr, ((0, 0), (0, 1)))])
        sol = np.linalg.lstsq(basis, np.concatenate([values[k] * root[k], np.zeros(len(pr))]), rcond=None)[0]
        out.append(sol[-1] if np.any(root[k]) else 0.0)
    return np.array(out)
