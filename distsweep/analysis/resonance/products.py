"""Products of several rungs and takes, and how likely a narrow mode makes each of them.

A curve is one order n of one rung of one take: V(f) = H(n·f)·B(f), H being the linear response heard
through the windows of order n. Dividing by it takes out the room and all else that lies behind
the place where the product is made. What is left, B, is smooth in the complex plane, nulls included,
but for modes: around one, B = base + c·P with c free and P the mode's product as a sweep shows it.
The base is a polynomial over the logarithm of f and, as near a crossover another driver radiates
n·f than makes it, the same over H's direct sound: what is radiated with a smooth response.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from distsweep.analysis.resonance.curves import HIGHEST_ORDER, LEAST_PERIODS, SearchedTake
from distsweep.analysis.resonance.mode_in_products import template
from distsweep.analysis.sweep.grid import POINTS_PER_OCTAVE
from distsweep.analysis.sweep.windows import WindowSpans
from distsweep.units import BoolArray, ComplexArray, FloatArray, IntArray

RUNGS = 2
"""So many of the loudest clean rungs are searched (chosen: quieter ones show the same, nearer the
noise; two tell what lasts from what happened once)."""

REACH_BANDWIDTHS, LEAST_REACH, MOST_REACH = 3.0, 10, 24
"""Points within so many bandwidths of a mode are looked at, of the grid at least and at most so
many to either side (chosen: its second product has fallen by 31 dB there)."""

BASE_COLUMNS, DIRECT_COLUMNS = 4, 2
"""Columns of the base, smooth and over the direct sound (chosen: a cubic bends every sixth of an
octave where the reach is least; the second radiator is a correction)."""

MODEL_SHARE = 0.01
"""Values are uncertain by this part of their envelope besides noise (chosen: as exactly as a cubic
follows a product in free field)."""

ENVELOPE_OCTAVES, DIRECT_OCTAVES = 0.3, 0.06
"""Deviations of the Gaussians that smooth a product's level to its envelope, and the complex
response to its direct sound (chosen: wider than any mode; six periods of what is heard)."""

RING_BANDWIDTHS, RING_OCTAVES, RING_WEIGHT = 1.5, 0.5, 5.0
"""How rough a curve is, is read off from so many bandwidths of a mode to so many octaves farther,
and counts as so many values (chosen: beside what the mode itself makes rough; as many as a
narrow mode's own reach leaves free)."""


@dataclass(frozen=True, eq=False)
class ProductCurves:
    """K curves on one grid.

    Attributes
    ----------
    frequency_hz : played, shape ``(F,)``.
    positions : of each curve's take, length K.
    rungs : 0 for the take's loudest clean one, shape ``(K,)``.
    orders : shape ``(K,)``.
    values : B over its envelope; 0 where it is not known, shape ``(K, F)``.
    direct : what has a smooth response of its own over H, likewise, shape ``(K, F)``.
    precision : one over a value's variance; 0 where it is not known, shape ``(K, F)``.
    independent : the share of an independent value that a point is worth, shape ``(K, F)``.
    rate_constants_s : the sweep's L, shape ``(K,)``.
    """

    frequency_hz: FloatArray
    positions: tuple[str, ...]
    rungs: IntArray
    orders: IntArray
    values: ComplexArray
    direct: ComplexArray
    precision: FloatArray
    independent: FloatArray
    rate_constants_s: FloatArray

    def between(self, first: int, last: int) -> ProductCurves:
        """Return the part of the grid from ``first`` up to but not with ``last``."""
        s = np.s_[:, first:last]
        return replace(
            self, frequency_hz=self.frequency_hz[first:last], values=self.values[s],
            direct=self.direct[s], precision=self.precision[s], independent=self.independent[s],
        )  # fmt: skip


def product_curves(takes: Sequence[SearchedTake]) -> ProductCurves | None:
    """Gather the loudest clean rungs of all takes; None where no product is known.

    Takes on another grid than the first one's are left out.
    """
    found: list[tuple[str, int, int, ComplexArray, ComplexArray, FloatArray, FloatArray, float]]
    found, grid_hz = [], None
    for take in takes:
        swept = take.swept
        if swept is None or (grid_hz is not None and len(grid_hz) != len(swept.frequency_hz)):
            continue
        grid_hz, constant_s = swept.frequency_hz, swept.rate_constant_s
        clean = [row for row, rung in enumerate(take.rungs) if not rung.clipped]
        clean.sort(key=lambda row: -take.rungs[row].drive_dbfs)
        for order in range(2, min(HIGHEST_ORDER, len(swept.values)) + 1):
            spans = WindowSpans(order, order * float(grid_hz[0]), constant_s)
            own = order * grid_hz * spans.energy_s(order * grid_hz)
            resolved = order * grid_hz * spans.span_s(0)[1] >= LEAST_PERIODS
            linear = swept.linear[order - 1]
            for rung, row in enumerate(clean[:RUNGS]):
                with np.errstate(all="ignore"):
                    value = swept.values[order - 1, row] / linear
                    noise = np.nan_to_num(swept.floors[order - 1, row]) / np.abs(linear)
                held = np.isfinite(value) & np.isfinite(noise) & resolved
                if np.count_nonzero(held) <= 2 * LEAST_REACH:
                    continue
                envelope = _envelope(np.hypot(np.abs(value), noise), held)
                variance = np.where(held, (noise / envelope) ** 2 + MODEL_SHARE**2, np.inf)
                found.append((
                    take.position, rung, order, np.where(held, value / envelope, 0.0),
                    _direct(linear, held), 1.0 / variance,
                    np.minimum(1.0, own * math.log(2.0) / POINTS_PER_OCTAVE), constant_s,
                ))  # fmt: skip
    if grid_hz is None or not found:
        return None
    positions, *columns = zip(*found, strict=True)
    return ProductCurves(grid_hz, positions, *(np.array(column) for column in columns))


def _smoothed(values: FloatArray | ComplexArray, held: BoolArray, octaves: float) -> ComplexArray:
    """Return a Gaussian mean over what is held, shape ``(F,)``."""
    deviation = octaves * POINTS_PER_OCTAVE
    reach = min(int(4.0 * deviation), (len(values) - 1) // 2)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / deviation) ** 2)
    total = np.convolve(np.where(held, values, 0.0), kernel, "same")
    return np.asarray(total / np.maximum(np.convolve(held, kernel, "same"), 1e-30))


def _envelope(size: FloatArray, held: BoolArray) -> FloatArray:
    """Return the smoothed level of a curve, as an amplitude; 1 where nothing is near."""
    level = np.log(np.where(held, np.maximum(size, 1e-30), 1.0))
    return np.exp(_smoothed(level, held, ENVELOPE_OCTAVES).real)


def _direct(linear: ComplexArray, held: BoolArray) -> ComplexArray:
    """Return one over the direct sound of a response, over its envelope; 0 where not held.

    Smoothing the complex response over frequency keeps what arrives first, about time zero.
    """
    with np.errstate(all="ignore"):
        inverse = 1.0 / _smoothed(linear, held, DIRECT_OCTAVES)
    held = held & np.isfinite(inverse)
    inverse = np.where(held, inverse, 0.0)
    return np.asarray(inverse / _envelope(np.abs(inverse), held))


def reach_points(q: float) -> int:
    """Return how many points to either side of a mode are looked at."""
    points = REACH_BANDWIDTHS / q / math.log(2.0) * POINTS_PER_OCTAVE
    return int(np.clip(points, LEAST_REACH, MOST_REACH))


@lru_cache(maxsize=4096)
def mode_product(
    third: int, q: float, *, shift: float, reach: int, power: int, order: int, constant_s: float
) -> ComplexArray:
    """Return P at the points of a window, its mode ``shift`` points above the middle.

    ``third`` is the middle in thirds of an octave re 1 Hz: how a sweep shows a mode depends on
    that little. ``power`` is 1 for what lifts n·f, and ``order`` else.
    """
    ratio = 2.0 ** ((np.arange(-reach, reach + 1) - shift) / POINTS_PER_OCTAVE)
    played_hz = 2.0 ** (third / 3.0)
    return template(
        0.5 * q * (ratio - 1.0 / ratio), frequency_hz=played_hz * (order if power == 1 else 1),
        q=q, power=power, order=order, rate_constant_s=constant_s,
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Fits:
    """What is left over of every curve at every place, with and without a mode, in variances.

    Attributes
    ----------
    without, rest : sums of squares, shape ``(K, F)``.
    free : values less the base's columns; 0 where too little is known, ``(K, F)``.
    energy : of P beside the base: one over the variance of c, ``(K, F)``.
    """

    without: FloatArray
    rest: FloatArray
    free: FloatArray
    energy: FloatArray


def fit_everywhere(curves: ProductCurves, q: float, shift: float, *, lifted: bool) -> Fits:
    """Fit base and mode around every point of the grid, for one Q."""
    reach = reach_points(q)
    precision, values, direct = (
        _windows(a, reach) for a in (curves.precision, curves.values, curves.direct)
    )
    modes = _modes_everywhere(curves, q, shift, reach, lifted=lifted)
    basis = base_columns(direct)
    weighted = np.swapaxes((precision[..., None] * basis).conj(), -1, -2)
    gram = weighted @ basis + base_prior()
    targets = np.stack([values, modes], axis=-1)
    seen = weighted @ targets
    solved = np.linalg.solve(gram, seen)
    inner = np.swapaxes((precision[..., None] * targets).conj(), -1, -2) @ targets
    inner -= np.swapaxes(seen.conj(), -1, -2) @ solved
    without, energy = inner[..., 0, 0].real, np.maximum(inner[..., 1, 1].real, 1e-9)
    rest = without - np.abs(inner[..., 1, 0]) ** 2 / energy
    known = precision > 0.0
    sides = known[..., :reach].sum(axis=-1), known[..., reach + 1 :].sum(axis=-1)
    enough = np.minimum(*sides) >= reach // 2
    free = known.sum(axis=-1) - BASE_COLUMNS - DIRECT_COLUMNS
    share = np.where(enough, curves.independent, 0.0)
    return Fits(*(share * np.maximum(a, 0.0) for a in (without, rest, free, energy)))


def _windows(values: FloatArray | ComplexArray, reach: int) -> ComplexArray:
    padded = np.pad(values, ((0, 0), (reach, reach)))
    return np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1, axis=1)


def base_columns(direct: ComplexArray) -> ComplexArray:
    """Return the base's columns at the points of windows, shape ``(…, P, columns)``."""
    place = np.linspace(-1.0, 1.0, direct.shape[-1])
    smooth = np.polynomial.legendre.legvander(place, BASE_COLUMNS - 1)
    columns = np.empty((*direct.shape, BASE_COLUMNS + DIRECT_COLUMNS), dtype=np.complex128)
    columns[..., :BASE_COLUMNS] = smooth
    columns[..., BASE_COLUMNS:] = direct[..., None] * smooth[:, :DIRECT_COLUMNS]
    return columns


def base_prior() -> FloatArray:
    """Return one over the variances of the base's coefficients: those over direct sound are about
    the envelope, the others may be anything."""
    return np.diag([1e-6] * BASE_COLUMNS + [1.0] * DIRECT_COLUMNS)


def _modes_everywhere(
    curves: ProductCurves, q: float, shift: float, reach: int, *, lifted: bool
) -> ComplexArray:
    thirds = np.round(3.0 * np.log2(curves.frequency_hz)).astype(int)
    modes = np.empty((*curves.values.shape, 2 * reach + 1), dtype=np.complex128)
    for row, (order, constant_s) in enumerate(
        zip(curves.orders, curves.rate_constants_s, strict=True)
    ):
        for third in np.unique(thirds):
            modes[row, thirds == third] = mode_product(
                int(third), q, shift=shift, reach=reach, power=1 if lifted else int(order),
                order=int(order), constant_s=float(constant_s),
            )  # fmt: skip
    return modes


def roughness(fits: Fits, q: float) -> FloatArray:
    """Return how many times its variance a curve's rest is on either side, 1 at least, ``(K, F)``.

    A mode must stand out of what is not smooth around it: the geometric mean, as another mode there
    is no roughness.
    """
    beside = RING_BANDWIDTHS / q / math.log(2.0) * POINTS_PER_OCTAVE
    reach = int(beside + RING_OCTAVES * POINTS_PER_OCTAVE)
    kernel = (np.abs(np.arange(-reach, reach + 1)) > beside).astype(float)
    known = fits.free > 0.0
    level = np.log(np.maximum(fits.without, 1e-6) / np.where(known, fits.free, 1.0))

    def summed(rows: FloatArray) -> FloatArray:
        length = rows.shape[1]
        return np.array([np.convolve(r, kernel)[reach : reach + length] for r in rows])

    mean = summed(np.where(known, level, 0.0)) / np.maximum(summed(known.astype(float)), 1.0)
    return np.maximum(1.0, np.exp(mean))


def log_ratio(free: FloatArray, rough: FloatArray, one: FloatArray, other: FloatArray) -> FloatArray:
    """Return by how much a rest ``other`` makes a curve likelier than a rest ``one``, as logarithm.

    Student's: the variance is not known but from the rest itself and the roughness around.
    """
    prior = RING_WEIGHT * rough
    return np.asarray((free + RING_WEIGHT) * np.log((one + prior) / (other + prior)))
