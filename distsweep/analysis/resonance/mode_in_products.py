"""Natural frequency and Q of one mode, from the shape it gives several curves at once."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.resonance.pole import Pole, best_pole
from distsweep.analysis.sweep.windows import CYCLES_AFTER, FLAT_AFTER
from distsweep.units import ComplexArray, FloatArray, db_to_power

REACH_WIDTHS, LEAST_REACH_OCTAVES, MOST_REACH_OCTAVES = 3.0, 0.15, 0.3
"""Points within so many of the peak's own widths are looked at: less leaves no surroundings,
more lets a neighbour in (chosen)."""

TOP_WITHIN = 0.015
"""A fit that leaves the peak's top by this fraction must fit twice as well (chosen: a step of the
grid; what lies beside the peak, a null or a neighbour, would draw the fit away otherwise)."""

NULL_SHARE = 0.2
"""Deviations are relative to the power, but in nulls to this share of the median power (chosen: a
null would outweigh the peak otherwise)."""

TAPER_OF_REACH = 0.5
"""Points count less away from the top: a Gaussian of this part of the reach (chosen: the mode
fills the middle, its neighbours the ends)."""

LEAST_SPREAD, MOST_SPREAD = 0.012, 0.03
"""Bounds of the search for f₀, as a fraction (chosen: a step of the grid is 1.5 %, and the motion
of a mode of Q 60 lags by up to 1.5 % behind the sweep)."""

_GRIDS = ((13, 9), (7, 5), (5, 5))
"""Frequencies and Qs tried, ever closer together (chosen: the last Qs are 10 % apart, as well as
noise and neighbours let a Q be known)."""

_LEAST_POINTS = 8
"""A shape with fewer points is not fitted (chosen: its mode has seven unknowns)."""

_WIDEST, _POINTS = 16.0, 512
"""Half-width of a template in bandwidths, and its points (chosen: a mode has fallen by 30 dB there,
and a sixteenth of a bandwidth is smooth)."""


@dataclass(frozen=True)
class Shape:
    """A curve around the peak.

    Attributes
    ----------
    frequency_hz : where the mode's own frequency is the axis: n·f for what is radiated.
    level_db : shape ``(F,)``.
    order : of the harmonic that the curve was read from.
    power : the order for a product of the mode's own motion, 1 for what the mode radiates.
    """

    frequency_hz: FloatArray
    level_db: FloatArray
    order: int
    power: int


def fit_products(
    shapes: Sequence[Shape], near_hz: float, *, width_octaves: float, rate_constant_s: float
) -> Pole | None:
    """Fit |a(1 + bu) + r·T|² to every shape, with one frequency and Q for all of them.

    T is what a mode of this frequency and Q gives in this analysis (`template`). What it adds
    to may have any phase, so that the top of a curve need not lie at f₀. For given f₀ and Q all
    else is linear in the power: 1, u, Re T, Im T, |T|². Deviations are relative to the power,
    as in decibels, and count most near the top.

    Parameters
    ----------
    shapes : curves; those with too few points around ``near_hz`` are left out.
    near_hz, width_octaves : where the peak's top is, and how wide it is; f₀ is looked for within
        half of that width, as a top may be shifted by what it adds to.
    rate_constant_s : the sweep's L.
    """
    reach = float(np.clip(REACH_WIDTHS * width_octaves, LEAST_REACH_OCTAVES, MOST_REACH_OCTAVES))
    pieces = [piece for shape in shapes if (piece := _piece(shape, near_hz, reach)) is not None]
    if not pieces:
        return None
    spread = float(np.clip(0.5 * math.log(2.0) * width_octaves, LEAST_SPREAD, MOST_SPREAD))

    def misfit(frequencies: FloatArray, qs: FloatArray) -> FloatArray:
        off_top = 1.0 + (np.log(frequencies / near_hz) / TOP_WITHIN) ** 2
        by_q = [
            np.sum(
                [_rest(piece, frequencies, float(q), rate_constant_s) for piece in pieces], axis=0
            )
            for q in qs
        ]
        return np.asarray(np.stack(by_q, axis=1) * off_top[:, None])

    frequency_hz, q, rest = best_pole(misfit, near_hz, spread=spread, counts=_GRIDS)
    without = sum(float(_rest_of([np.ones_like(p.along), p.along], p)[0]) for p in pieces)
    return Pole(frequency_hz, q, explained=1.0 - math.sqrt(rest / max(without, 1e-30)))


def template(
    place: FloatArray,
    *,
    frequency_hz: float,
    q: float,
    power: int,
    order: int,
    rate_constant_s: float,
) -> ComplexArray:
    """What a mode, or the n-th product of its motion, gives in the windowed spectrum.

    A sweep passes a mode of high Q so fast that its motion lags behind: with the bandwidth
    B = f₀/Q and the rate r = f₀/L, the motion while the sweep passes f₀ + xB is
    D(x) = ∫ π·e^{−πs + jπps² − j2πxs} ds with p = r/B² (the sweep's phase is quadratic over
    the time in which the mode rings). The n-th product is Dⁿ, and deconvolution takes
    e^{jπps²/n} off again in the domain of s. For n = 1 that gives the mode's own
    1/(1 + j2x): for a linear system the speed does not matter. A window of the impulse
    response over the time τ is a window over s = nBτ.

    Parameters
    ----------
    place : x, distance from f₀ in bandwidths, any shape; held at the template's ends.
    frequency_hz, q : of the mode.
    power : n, 1 for what is radiated.
    order : of the harmonic whose windows were used.
    rate_constant_s : L.
    """
    bandwidth = frequency_hz / q
    s = np.arange(_POINTS) / (2.0 * _WIDEST)
    chirp = 0.0 if power == 1 else frequency_hz / rate_constant_s / bandwidth**2
    decay = (np.pi / (2.0 * _WIDEST)) * np.exp(-np.pi * s + 1j * np.pi * chirp * s**2)
    decay[0] *= 0.5
    if power > 1:
        decay = np.asarray(np.fft.ifft(np.fft.fft(decay) ** power))
        decay *= np.exp(-1j * np.pi * chirp / power * s**2)
    radiated_hz = frequency_hz * (order if power > 1 else 1)
    window = _window(s / (bandwidth * power), radiated_hz, order, rate_constant_s)
    spectrum = np.fft.fftshift(np.fft.fft(decay * window))
    x = (np.arange(_POINTS) - _POINTS // 2) * (2.0 * _WIDEST / _POINTS)
    return np.asarray(np.interp(place, x, spectrum.real) + 1j * np.interp(place, x, spectrum.imag))


def _window(time_s: FloatArray, radiated_hz: float, order: int, constant_s: float) -> FloatArray:
    """The window of `distsweep.analysis.sweep.windows`, after its centre."""
    reach_s = CYCLES_AFTER / radiated_hz
    if order > 1:
        reach_s = min(reach_s, 0.5 * constant_s * math.log(order / (order - 1)))
    slope = np.clip((time_s / reach_s - FLAT_AFTER) / (1.0 - FLAT_AFTER), 0.0, 1.0)
    return np.asarray(0.5 + 0.5 * np.cos(np.pi * slope))


@dataclass(frozen=True)
class _Piece:
    shape: Shape
    frequency_hz: FloatArray
    weighted: FloatArray
    weight: FloatArray
    along: FloatArray


def _piece(shape: Shape, near_hz: float, reach: float) -> _Piece | None:
    along = np.log2(shape.frequency_hz / near_hz)
    kept = (np.abs(along) <= reach) & np.isfinite(shape.level_db)
    if np.count_nonzero(kept) < _LEAST_POINTS:
        return None
    level_db = shape.level_db[kept]
    value = np.asarray(db_to_power(level_db - np.max(level_db)))
    # Relative weights, held where a null would outweigh the peak.
    weight = 1.0 / np.maximum(value, NULL_SHARE * float(np.median(value)))
    weight *= np.exp(-0.5 * (along[kept] / (TAPER_OF_REACH * reach)) ** 2)
    return _Piece(shape, shape.frequency_hz[kept], value * weight, weight, along[kept])


def _rest(piece: _Piece, centre_hz: FloatArray, q: float, constant_s: float) -> FloatArray:
    """Mean squared relative deviation for several frequencies and one Q, shape ``(G,)``."""
    ratio = piece.frequency_hz / centre_hz[:, None]
    mode = template(
        0.5 * q * (ratio - 1.0 / ratio),
        frequency_hz=float(centre_hz[len(centre_hz) // 2]),
        q=q,
        power=piece.shape.power,
        order=piece.shape.order,
        rate_constant_s=constant_s,
    )
    flat = np.ones_like(ratio)
    squared = mode.real**2 + mode.imag**2
    return _rest_of([flat, flat * piece.along, mode.real, mode.imag, squared], piece)


def _rest_of(columns: list[FloatArray], piece: _Piece) -> FloatArray:
    basis = np.stack(columns, axis=-1) * piece.weight[:, None]
    basis = basis.reshape(-1, len(piece.weight), len(columns))
    turned = np.swapaxes(basis, 1, 2)
    square = turned @ basis
    square += 1e-9 * np.trace(square, axis1=1, axis2=2)[:, None, None] * np.eye(len(columns))
    solved = np.linalg.solve(square, turned @ piece.weighted[:, None])
    rest = piece.weighted - (basis @ solved)[..., 0]
    return np.asarray(np.mean(rest**2, axis=1))
