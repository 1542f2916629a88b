"""A weak curvature of low orders, without folding."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from distsweep.rehearsal.arrays import ComplexArray, FloatArray, resample_spectrum
from distsweep.units import db_to_ratio, spl_db_to_pascal


def products_of(
    spectrum_pa: ComplexArray,
    *,
    count: int,
    harmonics_db: Mapping[int, float],
    reference_spl_db: float,
) -> ComplexArray:
    """Spectrum of a₂p² + a₃p³ + … for the spectrum of p, Pa, both real transforms of `count`
    samples.

    `harmonics_db` gives the level of each harmonic, 2 and up, of a sine that has
    `reference_spl_db`, dB re that sine; -inf switches one off.
    """
    amplitude_pa = float(np.sqrt(2.0) * spl_db_to_pascal(reference_spl_db))
    amplitudes = {n: float(db_to_ratio(level_db)) for n, level_db in harmonics_db.items()}
    degree = max((n for n, amplitude in amplitudes.items() if amplitude > 0.0), default=0)
    if degree == 0:
        return np.zeros_like(spectrum_pa)
    curve = _coefficients(amplitudes, degree=degree)
    # What a power n of a band-limited signal makes reaches n times the band. At (n + 1)/2 times
    # the rate, what lies beyond folds back to no lower than the band's edge.
    fine = math.ceil((degree + 1) / 2) * count
    pressure = np.fft.irfft(resample_spectrum(spectrum_pa, count=count, new_count=fine), fine)
    bent: FloatArray = np.zeros_like(pressure)
    for power in range(degree, 1, -1):
        bent = bent * pressure + curve[power] / amplitude_pa ** (power - 1)
    products = np.fft.rfft(pressure**2 * bent)
    return resample_spectrum(products, count=fine, new_count=count)


def _coefficients(amplitudes: Mapping[int, float], *, degree: int) -> dict[int, float]:
    """Coefficient of each power from 2 up, for a sine of amplitude 1.

    cosᵈθ holds cos nθ with the share 2^(1−d)·C(d, (d−n)/2), for n of d's own parity (Abramowitz
    and Stegun, section 4.3, powers of circular functions; from memory).
    """
    curve: dict[int, float] = {}
    for order in range(degree, 1, -1):
        from_above = sum(
            curve[power] * 2.0 ** (1 - power) * math.comb(power, (power - order) // 2)
            for power in range(order + 2, degree + 1, 2)
        )
        curve[order] = (amplitudes.get(order, 0.0) - from_above) * 2.0 ** (order - 1)
    return curve
