"""Natural frequency and Q of one mode, from the shape it gives several curves at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.units import ComplexArray, FloatArray, db_to_power

REACH_OCTAVES = 0.3
"""Points so far around the spike are looked at (chosen: three half-widths of a Q of 8)."""

LOWEST_Q, HIGHEST_Q = 4.0, 100.0
"""Lower is no narrow spike; higher is not resolved by windows of 90 periods."""

_FREQUENCIES, _QS, _PASSES = 11, 9, 3  # points of the search, and how often it is narrowed
_LEAST_POINTS = 8


@dataclass(frozen=True)
class Shape:
    """A curve around the spike.

    Attributes
    ----------
    frequency_hz : where the mode's own frequency is the axis: n·f for what is radiated.
    level_db : shape ``(F,)``.
    power : how often the mode's response acts: 1 for what it radiates, n for the n-th product
        of its motion.
    """

    frequency_hz: FloatArray
    level_db: FloatArray
    power: int = 1


@dataclass(frozen=True)
class Pole:
    """The fit: frequency, Q, and the RMS of what the shapes leave, dB."""

    frequency_hz: float
    q: float
    misfit_db: float


def fit_pole(shapes: Sequence[Shape], near_hz: float, *, spread: float = 0.02) -> Pole | None:
    """Fit |a(1 + bu) + r·Bⁿ|² to every shape, with one frequency and Q for all of them.

    B = 1/(1 + jQ(f/f₀ − f₀/f)) is the mode; what it adds to may have any phase, so that the top
    of a curve need not lie at f₀. For given f₀ and Q all else is linear in the power: 1, u,
    Re Bⁿ, Im Bⁿ, |B|²ⁿ. Deviations are relative to the power, as in decibels.

    Parameters
    ----------
    shapes : curves; those with too few points around ``near_hz`` are left out.
    near_hz, spread : where to look, and how far to either side, as a fraction.
    """
    pieces = [piece for shape in shapes if (piece := _piece(shape, near_hz)) is not None]
    if not pieces:
        return None
    centre, width = near_hz, spread
    low, high = np.log(LOWEST_Q), np.log(HIGHEST_Q)
    best = (np.inf, near_hz, 1.0)
    for _ in range(_PASSES):
        frequency = centre * np.exp(np.linspace(-width, width, _FREQUENCIES))
        q = np.exp(np.linspace(low, high, _QS))
        pair = np.array([(f0, one_q) for f0 in frequency for one_q in q])
        misfit = np.mean([_misfit(piece, pair[:, 0], pair[:, 1]) for piece in pieces], axis=0)
        index = int(np.argmin(misfit))
        best = (float(misfit[index]), float(pair[index, 0]), float(pair[index, 1]))
        centre, width = best[1], width / 4.0
        step = (high - low) / (_QS - 1)
        low = max(np.log(LOWEST_Q), np.log(best[2]) - step)
        high = min(np.log(HIGHEST_Q), np.log(best[2]) + step)
    # A relative error ε of a power is 10·lg(1 + ε) ≈ 4.34·ε dB.
    return Pole(best[1], best[2], float(4.343 * np.sqrt(best[0])))


@dataclass(frozen=True)
class _Piece:
    frequency_hz: FloatArray
    weighted: FloatArray
    weight: FloatArray
    along: FloatArray
    power: int


def _piece(shape: Shape, near_hz: float) -> _Piece | None:
    along = np.log2(shape.frequency_hz / near_hz)
    kept = (np.abs(along) <= REACH_OCTAVES) & np.isfinite(shape.level_db)
    if np.count_nonzero(kept) < _LEAST_POINTS:
        return None
    level_db = shape.level_db[kept]
    value = np.asarray(db_to_power(level_db - np.max(level_db)))
    # Relative weights, held where a null would outweigh the spike.
    weight = 1.0 / np.maximum(value, 0.03 * float(np.median(value)))
    return _Piece(shape.frequency_hz[kept], value * weight, weight, along[kept], shape.power)


def _misfit(piece: _Piece, centre_hz: FloatArray, q: FloatArray) -> FloatArray:
    """Mean squared relative deviation for pairs of frequency and Q, shape ``(G,)``."""
    ratio = piece.frequency_hz / centre_hz[:, None]
    mode: ComplexArray = 1.0 / (1.0 + 1j * q[:, None] * (ratio - 1.0 / ratio))
    product = mode**piece.power
    flat = np.ones_like(ratio)
    columns = [flat, flat * piece.along, product.real, product.imag]
    if piece.power > 1:
        columns.append(np.abs(product) ** 2)
    basis = np.stack(columns, axis=-1) * piece.weight[:, None]
    square = np.einsum("gmk,gml->gkl", basis, basis)
    square += 1e-9 * np.trace(square, axis1=1, axis2=2)[:, None, None] * np.eye(len(columns))
    right = np.einsum("gmk,m->gk", basis, piece.weighted)
    solved = np.linalg.solve(square, right[..., None])
    rest = piece.weighted - (basis @ solved)[..., 0]
    return np.asarray(np.mean(rest**2, axis=1))
