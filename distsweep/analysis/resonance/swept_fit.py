"""An excited mode fitted to the complex harmonics, as a sweep shows it.

Order n around a mode is base(f) + (c + d·u)·P(f): what all else makes there, smooth or smooth times
the linear response at n·f (reflections and what radiates), and the mode's product as a sweep shows
it (`swept_mode.swept`). Filters around the mode give it a slope d over u, the distance in
the logarithm of f. A steady tone would show base(f) + (c + d·u)·B(f)ⁿ.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from distsweep.analysis.resonance.mode import HIGHEST_Q, LOWEST_Q
from distsweep.analysis.resonance.swept_mode import swept
from distsweep.analysis.sweep.grid import POINTS_PER_OCTAVE
from distsweep.analysis.sweep.harmonics import SweptHarmonics
from distsweep.analysis.sweep.windows import WindowSpans
from distsweep.units import ComplexArray, FloatArray, IntArray

REACH_BANDWIDTHS, LEAST_POINTS_ASIDE, MOST_REACH_OCTAVES = 3.0, 5, 0.4
"""Points within so many bandwidths of the mode are looked at, and so many to either side at least
(chosen: its second product has fallen by 31 dB there, and what it adds to bends little)."""

MODEL_SHARE, TOP_SHARE = 0.01, 0.003
"""Values are taken to be uncertain by their noise and by these parts of themselves and of the
highest (chosen: a curve of the second degree follows what the mode adds to as exactly as that; the
simulated sweep follows a whole one to 0.3 %)."""

CLEAR_RATIO = 3.0
"""An order takes part where its highest value is so many times its floor (chosen: 10 dB)."""

SURE_DEVIATIONS = 5.0
"""An order shows a mode where its product is so many deviations from nothing, as what is left over
tells them (chosen: a fit that may choose frequency and Q makes three of noise)."""

FARTHEST = 0.03
"""A fit stays so close to where the search saw a top, as a fraction (chosen: as far as a sweep of
4 s shifts that of a mode of Q 40 at 100 Hz)."""

_STEPS, _MOST_DAMPING = 12, 1e4
"""Steps of the fit, and the damping at which it gives up (chosen: four to six steps lead from 2 %
beside the frequency and 40 % beside the Q to the best fit)."""

_MOST_STEP, _DIFFERENCE, _LEAST_STEP = (0.01, 0.25), (3e-4, 0.02), (3e-5, 3e-3)
"""In ln f₀ and ln Q: no step is longer; differences for slopes; a shorter step is the last (chosen:
half a bandwidth, a twentieth and a hundredth of one, at a Q of 40)."""


PRODUCT = np.array([0.0, 0.0, 0.0, 1.0, 0.0])
"""The columns of a fit, for the product alone at its frequency (their definition)."""

SLOPE_SHARE, FARTHEST_SLOPE = 0.25, 1.5
"""Deviation of d from nothing, of c over the reach of a fit; and how far in that reach a slope is
carried on (chosen: the phase of a box's high-pass of Q 0.7 at 60 Hz turns the third product of a
mode of Q 18 at 180 Hz by 0.25 over three bandwidths)."""


@dataclass(frozen=True, eq=False)
class OrderView:
    """One order of one rung around a mode.

    Attributes
    ----------
    harmonics : all of them.
    order, row : which.
    centre_hz, reach_octaves : where the base is laid out, and the points that are fitted.
    linear : whether the base has the linear response in it.
    """

    harmonics: SweptHarmonics
    order: int
    row: int
    centre_hz: float
    reach_octaves: float
    linear: bool = True

    def points(self, reach_octaves: float) -> IntArray:
        """Return the grid points within a reach that hold a value."""
        along = np.abs(np.log2(self.harmonics.frequency_hz / self.centre_hz))
        return np.flatnonzero((along <= reach_octaves) & np.isfinite(self._curve))

    @cached_property
    def near(self) -> IntArray:
        """The points that are fitted."""
        return self.points(self.reach_octaves)

    @property
    def _curve(self) -> ComplexArray:
        return np.asarray(self.harmonics.values[self.order - 1, self.row])

    @property
    def values(self) -> ComplexArray:
        """The measured values at the fitted points."""
        return np.asarray(self._curve[self.near])

    def floors(self, points: IntArray) -> FloatArray:
        """Return the RMS of the background at some points; 0 where it is not known."""
        return np.asarray(np.nan_to_num(self.harmonics.floors[self.order - 1, self.row, points]))

    def weight(self) -> FloatArray:
        """Return one over what every fitted value may be off by."""
        size = np.abs(self.values)
        own, top = MODEL_SHARE * size, TOP_SHARE * np.max(size)
        return np.asarray(1.0 / np.sqrt(self.floors(self.near) ** 2 + own**2 + top**2))

    def is_clear(self) -> bool:
        """Tell whether there are points enough, and one stands clear of its floor."""
        if len(self.near) < 2 * LEAST_POINTS_ASIDE:
            return False
        return bool(np.any(np.abs(self.values) > CLEAR_RATIO * self.floors(self.near)))

    def base(self, frequency_hz: FloatArray) -> ComplexArray:
        """Return the columns of what the product adds to, shape ``(G, 3)``."""
        along = np.log2(frequency_hz / self.centre_hz) / self.reach_octaves
        columns = np.stack([np.ones_like(along), along, along**2], axis=1).astype(np.complex128)
        if not self.linear:
            return columns
        response, grid_hz = self.harmonics.linear[self.order - 1], self.harmonics.frequency_hz
        held = np.isfinite(response)
        real, imaginary = (
            np.interp(frequency_hz, grid_hz[held], part[held])
            for part in (response.real, response.imag)
        )
        size = np.sqrt(np.mean(np.abs(response[self.near]) ** 2))
        return np.asarray(columns * ((real + 1j * imaginary) / size)[:, None])

    def swept(self, frequency_hz: FloatArray, mode_hz: float, q: float) -> ComplexArray:
        """Return a mode's product as the sweep shows it, shape ``(G,)``."""
        constant_s = self.harmonics.rate_constant_s
        spans = WindowSpans(
            self.order, self.order * float(self.harmonics.frequency_hz[0]), constant_s
        )
        return swept(
            frequency_hz, mode_hz=mode_hz, q=q, order=self.order, rate_constant_s=constant_s,
            spans=spans,
        )  # fmt: skip

    def along(self, frequency_hz: FloatArray) -> FloatArray:
        """Return how far frequencies lie from the centre, in reaches, no farther than slopes go."""
        place = np.log2(frequency_hz / self.centre_hz) / self.reach_octaves
        return np.asarray(np.clip(place, -FARTHEST_SLOPE, FARTHEST_SLOPE))

    def columns(self, frequency_hz: FloatArray, product: ComplexArray) -> ComplexArray:
        """Return base, product and the product's slope at some frequencies, shape ``(G, 5)``."""
        sloped = self.along(frequency_hz) * product
        return np.column_stack([self.base(frequency_hz), product, sloped])

    def basis(self, mode_hz: float, q: float) -> ComplexArray:
        """Return the columns at the fitted points, the product as swept, shape ``(P, 5)``."""
        frequency_hz = self.harmonics.frequency_hz[self.near]
        return self.columns(frequency_hz, self.swept(frequency_hz, mode_hz, q))

    def fit(self, mode_hz: float, q: float) -> OrderFit:
        """Fit base and product to the values, for a mode of given frequency and Q."""
        return OrderFit(self, self.basis(mode_hz, q))


class OrderFit:
    """Base and product of one order, for a mode of given frequency and Q.

    Attributes
    ----------
    coefficients : of the columns, shape ``(5,)``.
    rest : weighted deviations, shape ``(P + 1,)``; the last is the slope's.
    """

    def __init__(self, view: OrderView, basis: ComplexArray) -> None:
        """Fit the columns of ``basis``, shape ``(P, 5)``, to the order's values."""
        weight = view.weight()
        weighted, target = basis * weight[:, None], view.values * weight
        unsloped = np.linalg.lstsq(weighted[:, :-1], target, rcond=None)[0]
        likely = np.zeros((1, basis.shape[1]))
        likely[0, -1] = 1.0 / (SLOPE_SHARE * max(abs(complex(unsloped[-1])), 1e-30))
        weighted, target = np.concatenate([weighted, likely]), np.append(target, 0.0)
        self._inverse = np.linalg.pinv(weighted)
        self.coefficients = self._inverse @ target
        self.rest = target - weighted @ self.coefficients
        squares = float(np.sum(np.abs(self.rest) ** 2))
        self._doubt = max(1.0, math.sqrt(squares / (len(weight) - basis.shape[1] + 1)))
        self._inverse = self._inverse[:, :-1]

    @property
    def size(self) -> complex:
        """Amplitude of the product at the centre."""
        return complex(self.coefficients[-2])

    def sizes(self, along: FloatArray) -> ComplexArray:
        """Return the product's amplitude at distances from the centre, in reaches."""
        return np.asarray(self.coefficients[-2] + self.coefficients[-1] * along)

    def deviation(self, columns: ComplexArray | FloatArray) -> float:
        """Return a deviation of what these values of the columns give, in step with it.

        It grows as what is left over does beyond what values may be off by.
        """
        return self._doubt * float(np.linalg.norm(columns @ self._inverse)) / math.sqrt(2.0)


@dataclass(frozen=True, eq=False)
class FittedMode:
    """A mode as complex harmonics show it.

    Attributes
    ----------
    frequency_hz, q : of the best fit.
    spread : principal deviations of (ln f₀, ln Q), one a row, shape ``(2, 2)``.
    misfit : root of the mean squared weighted deviation: 1 where noise and the model's own error
        explain it.
    views : the orders that took part, at the rung that was fitted.
    """

    frequency_hz: float
    q: float
    spread: FloatArray
    misfit: float
    views: tuple[OrderView, ...]

    def view(self, order: int, row: int) -> OrderView:
        """Return any order of any rung around the mode."""
        fitted = next((view for view in self.views if view.order == order), None)
        own = self.views[0]
        return OrderView(
            own.harmonics, order, row, own.centre_hz, own.reach_octaves,
            linear=(fitted or own).linear,
        )  # fmt: skip

    def places(self) -> list[tuple[float, float]]:
        """Return frequency and Q of the best fit and, one deviation aside, of two others."""
        best = np.log([self.frequency_hz, self.q])
        return [(math.exp(f), math.exp(q)) for f, q in (best, *(best + self.spread))]


def fit_mode(harmonics: SweptHarmonics, near_hz: float, q: float, *, row: int) -> FittedMode | None:
    """Fit frequency and Q to every order that is clear of its floor; None where none shows a mode.

    Parameters
    ----------
    near_hz, q : where the search saw one.
    row : the rung to look at.
    """
    least = LEAST_POINTS_ASIDE / POINTS_PER_OCTAVE
    reach = float(np.clip(REACH_BANDWIDTHS / q / math.log(2.0), least, MOST_REACH_OCTAVES))
    start = np.log([near_hz, q])
    views = []
    for order in range(2, len(harmonics.values) + 1):
        view = OrderView(harmonics, order, row, near_hz, reach)
        if view.is_clear():
            plain = OrderView(harmonics, order, row, near_hz, reach, linear=False)
            views.append(min(view, plain, key=lambda v: float(np.sum(_rest([v], start) ** 2))))
    views = [view for view in views if _shows(view, start)]
    if not views:
        return None
    place, rest, curvature = _best(views, start)
    if not any(_shows(view, place) for view in views):
        return None
    unknowns = 2 + 10 * len(views)
    misfit = math.sqrt(float(rest @ rest) / max(1, len(rest) - unknowns))
    squares, directions = np.linalg.eigh(curvature)
    deviations = np.minimum(max(1.0, misfit) / np.sqrt(np.maximum(squares, 1e-9)), 1.0)
    mode_hz, mode_q = math.exp(place[0]), math.exp(place[1])
    spread = (directions * deviations).T
    return FittedMode(mode_hz, mode_q, spread, misfit, tuple(views))


def _best(
    views: Sequence[OrderView], start: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return (ln f₀, ln Q) of the best fit, its deviations and their curvature there.

    By the method of Levenberg and Marquardt; all but these two is linear.
    """
    bounds = np.array(
        [[start[0] - FARTHEST, math.log(LOWEST_Q)], [start[0] + FARTHEST, math.log(HIGHEST_Q)]]
    )
    place, rest, damping = start, _rest(views, start), 1e-3
    curvature = np.eye(2)
    for _ in range(_STEPS):
        slopes = np.stack(
            [
                (_rest(views, place + shift) - rest) / size
                for size, shift in zip(_DIFFERENCE, np.diag(_DIFFERENCE), strict=True)
            ],
            axis=1,
        )
        curvature = slopes.T @ slopes + 1e-12 * np.eye(2)
        damped = curvature + damping * np.diag(np.diag(curvature))
        step = -np.linalg.solve(damped, slopes.T @ rest)
        step /= max(1.0, *(np.abs(step) / _MOST_STEP))
        trial = np.clip(place + step, *bounds)
        there = _rest(views, trial)
        if there @ there >= rest @ rest:
            damping *= 10.0
            if damping > _MOST_DAMPING:
                break
            continue
        last = bool(np.all(np.abs(trial - place) < _LEAST_STEP))
        place, rest, damping = trial, there, 0.3 * damping
        if last:
            break
    return place, rest, curvature


def _rest(views: Sequence[OrderView], place: FloatArray) -> FloatArray:
    """Return weighted deviations of the best fit at (ln f₀, ln Q), real and imaginary, ``(K,)``."""
    rests = []
    for view in views:
        rest = view.fit(*np.exp(place).tolist()).rest
        rests += [rest.real, rest.imag]
    return np.concatenate(rests)


def _shows(view: OrderView, place: FloatArray) -> bool:
    """Tell whether an order shows a product of a mode at (ln f₀, ln Q)."""
    fit = view.fit(*np.exp(place).tolist())
    return abs(fit.size) >= SURE_DEVIATIONS * fit.deviation(PRODUCT)
