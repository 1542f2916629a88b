"""Products of several rungs and takes, and how well a narrow mode explains each of them.

A curve is the response H itself or one order n of one rung of one take: V(f) = H(n·f)·B(f), H being
heard through the windows of order n. Dividing by it takes out the room and all else that lies
behind the place where the product is made. What is left, B, is smooth in the complex plane, nulls
included, but for modes: around one, B = base + c·P with c free and P the mode's product as a sweep
shows it. The base is a polynomial over the logarithm of f and, as near a crossover another driver
may radiate n·f than makes it, a second one for what has a smooth response: over H's direct sound.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from distsweep.analysis.resonance.curves import HIGHEST_ORDER, LEAST_PERIODS, SearchedTake
from distsweep.analysis.sweep.grid import POINTS_PER_OCTAVE
from distsweep.analysis.sweep.harmonics import SweptHarmonics
from distsweep.analysis.sweep.windows import WindowSpans
from distsweep.units import BoolArray, ComplexArray, FloatArray, IntArray

RUNGS = 2
"""So many of the loudest clean rungs are searched (chosen: quieter ones show the same, nearer the
noise; two tell what lasts from what happened once)."""

REACH = 16
"""Points to either side of a mode that are looked at (chosen: a third of an octave, where the
second product of a mode of Q 8 has fallen by 23 dB). A curve's level is smoothed as widely."""

COLUMNS = 4
"""Columns of either half of the base (chosen: a cubic follows a null that is wider than a sixth of
an octave)."""

MODEL_SHARE = 0.01
"""Values are uncertain by this part of their envelope besides noise (chosen: as exactly as a cubic
follows a product in free field)."""

DIRECT_OCTAVES = 0.06
"""Deviation of the Gaussian that smooths a complex response to its direct sound (chosen: keeps
about the first five periods of what is heard)."""

LIKELY_SIZE, LEAST_SIZE = 2.0, 1.0
"""A mode's c is about so many times the envelope, and what has less than the second speaks as far
as it is like that much (chosen: 6 dB of lift, from which a mode is looked for, are a c of 1 in step
and of 2 in quadrature; filters and reflections bend a product by 0.1 to 0.9 of its envelope)."""

ROUGH_WEIGHT = 5.0
"""How rough a curve is to either side counts as so many values (chosen: a fifth of those that are
fitted)."""


STEP = 2.0 ** (1.0 / POINTS_PER_OCTAVE)
"""Ratio of the grid's neighbouring frequencies (its definition)."""


@dataclass(frozen=True, eq=False)
class ProductCurves:
    """K curves on one grid, or P points of it around a place of its own for each.

    Attributes
    ----------
    frequency_hz : played, shape ``(K, F)``.
    positions : of each curve's take, length K.
    rungs : 0 for the take's loudest clean one, shape ``(K,)``.
    orders : shape ``(K,)``; 1 for the response.
    values : B, or H, over its envelope; 0 where it is not known, shape ``(K, F)``.
    direct : what has a smooth response of its own over H, likewise, shape ``(K, F)``.
    precision : one over a value's variance; 0 where it is not known, shape ``(K, F)``.
    share : of an independent value that a point is worth, shape ``(K, F)``.
    rate_constants_s : the sweep's L, shape ``(K,)``.
    """

    frequency_hz: FloatArray
    positions: tuple[str, ...]
    rungs: IntArray
    orders: IntArray
    values: ComplexArray
    direct: ComplexArray
    precision: FloatArray
    share: FloatArray
    rate_constants_s: FloatArray

    def at(self, points: IntArray) -> ProductCurves:
        """Return some points, shape ``(K, P)``; those beyond the grid are not known."""
        inside = (points >= 0) & (points < self.values.shape[1])
        held = np.clip(points, 0, self.values.shape[1] - 1)

        def taken(values: Any) -> Any:
            return np.take_along_axis(values, held, axis=1)

        return replace(
            self, frequency_hz=taken(self.frequency_hz), values=taken(self.values),
            direct=taken(self.direct), precision=np.where(inside, taken(self.precision), 0.0),
            share=taken(self.share),
        )  # fmt: skip

    def of(self, chosen: IntArray) -> ProductCurves:
        """Return some of the curves."""
        positions = tuple(self.positions[k] for k in chosen)
        arrays = {k: v[chosen] for k, v in vars(self).items() if k != "positions"}
        return ProductCurves(positions=positions, **arrays)


def product_curves(takes: Sequence[SearchedTake]) -> ProductCurves | None:
    """Gather the loudest clean rungs of all takes, on the grid of the first; None without any.

    A product whose noise is not known is none.
    """
    found = []
    for take in takes:
        swept = _on_grid(take.swept, takes[0].swept.frequency_hz)
        grid_hz, constant_s = swept.frequency_hz, swept.rate_constant_s
        clean = [row for row, rung in enumerate(take.rungs) if not rung.clipped]
        clean.sort(key=lambda row: -take.rungs[row].drive_dbfs)
        for order in range(1, min(HIGHEST_ORDER, len(swept.values)) + 1):
            heard_hz, linear = order * grid_hz, swept.linear[order - 1]
            spans = WindowSpans(order, float(heard_hz[0]), constant_s)
            share = heard_hz * spans.energy_s(heard_hz) * math.log(2.0) / POINTS_PER_OCTAVE
            resolved = heard_hz * spans.span_s(0)[1] >= LEAST_PERIODS
            if order == 1:
                linear = np.ones_like(linear)
            for rung, row in enumerate(clean[: RUNGS if order > 1 else 1]):
                with np.errstate(all="ignore"):
                    value = swept.values[order - 1, row] / linear
                    noise = swept.floors[order - 1, row] / np.abs(linear)
                if order == 1:
                    noise = np.nan_to_num(noise)
                held = np.isfinite(value) & np.isfinite(noise) & resolved
                if np.count_nonzero(held) <= 2 * REACH:
                    continue
                envelope = _envelope(np.hypot(np.abs(value), noise), held)
                variance = np.where(held, (noise / envelope) ** 2 + MODEL_SHARE**2, np.inf)
                found.append((
                    grid_hz, take.position, rung, order, np.where(held, value / envelope, 0.0),
                    (order > 1) * _direct(linear, held), 1.0 / variance, np.minimum(1.0, share),
                    constant_s,
                ))  # fmt: skip
    if not found:
        return None
    grids, positions, *columns = zip(*found, strict=True)
    return ProductCurves(np.array(grids), positions, *(np.array(column) for column in columns))


def _on_grid(swept: SweptHarmonics, grid_hz: FloatArray) -> SweptHarmonics:
    """Return harmonics on another grid, as fine; NaN beyond their own."""
    own_hz = swept.frequency_hz
    if np.array_equal(own_hz, grid_hz):
        return swept

    def read(curves: Any) -> Any:
        rows = curves.reshape(-1, len(own_hz))
        on_grid = [np.interp(grid_hz, own_hz, row, left=np.nan, right=np.nan) for row in rows]
        return np.array(on_grid).reshape(*curves.shape[:-1], len(grid_hz))

    return replace(
        swept,
        frequency_hz=grid_hz,
        values=np.asarray(read(swept.values), dtype=np.complex128),
        floors=np.asarray(read(swept.floors), dtype=float),
        linear=np.asarray(read(swept.linear), dtype=np.complex128),
    )


def _smoothed(values: FloatArray | ComplexArray, held: BoolArray, points: float) -> ComplexArray:
    """Return a Gaussian mean over what is held, shape ``(F,)``."""
    reach = min(int(4.0 * points), (len(values) - 1) // 2)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / points) ** 2)
    total = np.convolve(np.where(held, values, 0.0), kernel, "same")
    return np.asarray(total / np.maximum(np.convolve(held, kernel, "same"), 1e-30))


def _envelope(size: FloatArray, held: BoolArray) -> FloatArray:
    """Return the smoothed level of a curve, as an amplitude."""
    level = np.log(np.where(held, np.maximum(size, 1e-30), 1.0))
    return np.exp(_smoothed(level, held, REACH).real)


def _direct(linear: ComplexArray, held: BoolArray) -> ComplexArray:
    """Return one over the direct sound of a response, over its envelope; 0 where not held.

    Smoothing the complex response over frequency keeps what arrives first, about time zero.
    """
    smooth = _smoothed(linear, held, DIRECT_OCTAVES * POINTS_PER_OCTAVE)
    inverse = np.where(held, 1.0 / np.where(held, smooth, 1.0), 0.0)
    return np.asarray(inverse / _envelope(np.abs(inverse), held))


def base_of(direct: ComplexArray) -> ComplexArray:
    """Return the base's columns at the points of windows, shape ``(…, P, 2·COLUMNS)``."""
    place = np.linspace(-1.0, 1.0, direct.shape[-1])
    smooth = np.polynomial.legendre.legvander(place, COLUMNS - 1)
    both = np.stack([np.ones_like(direct), direct], axis=-1)[..., None] * smooth[:, None]
    return np.asarray(both.reshape(*direct.shape, 2 * COLUMNS))


class Base:
    """Bases fitted to windows of curves: leading axes, then P points.

    Attributes
    ----------
    rest : what they leave over of the values, shape ``(…, P)``.
    squares : sum of its squares in variances, shape ``(…)``.
    """

    def __init__(self, values: ComplexArray, precision: FloatArray, columns: ComplexArray) -> None:
        """Fit ``columns``, shape ``(…, P, columns)``."""
        self._precision = precision
        self._weighted = np.swapaxes((precision[..., None] * columns).conj(), -1, -2)
        # Coefficients over direct sound are about the envelope; the others may be anything.
        prior = np.diag([1e-6] * COLUMNS + [1.0] * COLUMNS)
        self._inverse = np.linalg.inv(self._weighted @ columns + prior)
        solved = self._inverse @ (self._weighted @ values[..., None])
        self.rest = values - (columns @ solved)[..., 0]
        squares = np.sum(precision * (values.conj() * self.rest).real, axis=-1)
        self.squares = np.maximum(squares, 0.0)

    def with_modes(self, modes: ComplexArray) -> tuple[ComplexArray, FloatArray]:
        """Return c of each of T modes and one over its variance, for templates ``(…, P, T)``."""
        seen = self._weighted @ modes
        known = np.sum((seen.conj() * (self._inverse @ seen)).real, axis=-2)
        power = modes.real**2 + modes.imag**2
        energy = np.maximum((self._precision[..., None, :] @ power)[..., 0, :] - known, 1e-9)
        cross = ((self._precision * self.rest)[..., None, :] @ modes.conj())[..., 0, :]
        return cross / energy, energy


class Windows:
    """Bases fitted around M places of some curves where enough is known, ``REACH`` to either side.

    Attributes
    ----------
    rows, points : the curve and the place, shape ``(M,)``.
    frequency_hz : played there, shape ``(M,)``.
    base : shape ``(M, P)``.
    share : of an independent value that a point is worth, shape ``(M,)``.
    free : independent values less the base's columns, shape ``(M,)``.
    """

    def __init__(self, curves: ProductCurves, points: IntArray) -> None:
        """Fit around all but the outer ``REACH`` of some points, shape ``(K, W)``."""
        around, inner = curves.at(points), np.s_[:, REACH:-REACH]

        def windows(values: Any) -> Any:
            return np.lib.stride_tricks.sliding_window_view(values, 2 * REACH + 1, axis=1)

        known = windows(around.precision > 0.0)
        sides = known[..., :REACH].sum(axis=-1), known[..., -REACH:].sum(axis=-1)
        held = np.nonzero(np.minimum(*sides) >= REACH // 2)
        self.rows, self.points = held[0], points[inner][held]
        self.frequency_hz, self.share = around.frequency_hz[inner][held], around.share[inner][held]
        self.free = np.maximum(known[held].sum(axis=-1) - 2 * COLUMNS, 0)
        columns = base_of(windows(around.direct)[held])
        self.base = Base(windows(around.values)[held], windows(around.precision)[held], columns)


@dataclass(frozen=True, eq=False)
class ModeFit:
    """Curves with and without a mode: K curves, at one place or several.

    Attributes
    ----------
    without : sum of squares that the base leaves, in variances.
    size : of the mode's c.
    energy : one over the variance of that.
    free : independent values less the base's columns; 0 where too little is known.
    """

    without: FloatArray
    size: FloatArray
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
        return np.asarray(np.maximum(1.0, np.exp(total / np.maximum(count, 1.0))))

    def ratio(self, rough: FloatArray, least: float, other: FloatArray | None = None) -> FloatArray:
        """Return the logarithm of how much likelier a curve is with the mode than with a rest.

        ``other`` is the rest of another explanation; None for the base alone. A bend of a c below
        ``least`` says the less for a mode, and nothing against it.
        """
        energy = LIKELY_SIZE**2 * self.energy / rough
        gain = self.energy * self.size**2
        rest = np.maximum(self.without - gain * energy / (1.0 + energy), 0.0)
        enough = rest + self.energy * np.maximum(least - self.size, 0.0) ** 2
        over = self.without if other is None else other
        any_size, large = (
            log_ratio(over, left, self.free, rough) - np.log1p(energy) for left in (rest, enough)
        )
        ratio = np.where(any_size > 0.0, np.maximum(large, 0.0), any_size)
        return np.where(self.free > 0.0, ratio, 0.0)


def log_ratio(
    one: FloatArray, other: FloatArray, free: FloatArray, rough: FloatArray
) -> FloatArray:
    """Return the logarithm of how much likelier a rest ``other`` makes curves than a rest ``one``.

    Student's: the variance is not known but from the rest and the roughness around.
    """
    prior = ROUGH_WEIGHT * rough
    return np.asarray((free + ROUGH_WEIGHT) * np.log((one + prior) / (other + prior)))
