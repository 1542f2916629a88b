"""A boost or cut of the drive, which raises the product of order n n-fold: no mode, but alike."""

from __future__ import annotations

import numpy as np

from distsweep.analysis.narrowing import Axis, narrowed_minimum
from distsweep.analysis.resonance.products import (
    REACH,
    STEP,
    Base,
    ModeFit,
    ProductCurves,
    base_of,
    log_ratio,
)
from distsweep.units import ComplexArray, FloatArray

BELLS = (
    np.array([-4.0, -2.5, -1.0, 0.0, 1.0, 2.5, 4.0]),
    np.array([1.5, 3.0, 5.0, 8.0, 13.0, 25.0]),
    np.array([-8.0, -5.5, -4.0, -3.0, -2.0, -1.0, 1.0, 2.0, 3.0, 4.0]),
)
"""Boosts and cuts of the drive that are tried instead: points beside the mode, Q, gain in decibels
(chosen: what equalisers before a loudspeaker are set to, cuts at its modes among it)."""


def raised_rest(around: ProductCurves, raised: ComplexArray) -> FloatArray:
    """Return what bases leave that are raised by some filters, ``(K, A, P)``: shape ``(K, A)``."""
    columns = base_of(around.direct)[:, None] * raised[..., None]
    base = Base(around.values[:, None], around.precision[:, None], columns)
    return np.asarray(around.share[:, REACH, None] * base.squares)


def likeliest_bell(
    around: ProductCurves, fit: ModeFit, rough: FloatArray, near_hz: float
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
        rest = raised_rest(loudest, raised(loudest, *bell))
        ratio = log_ratio(fit.without[chosen], rest, fit.free[chosen], rough[chosen])
        return np.asarray(-np.sum(ratio, axis=0).reshape([len(a) for a in bell]))

    best = narrowed_minimum(
        misfits,
        Axis(near_hz * STEP ** BELLS[0], (5, 5, 5)),
        Axis(BELLS[1], (5, 5, 5), lowest=1.0),
        Axis(BELLS[2], (5, 5, 5), highest=float(BELLS[2][-1])),
    )
    drive = raised(around, *(np.array([value]) for value in best.place))
    return drive[:, 0], raised_rest(around, drive)
