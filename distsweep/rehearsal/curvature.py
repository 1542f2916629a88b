"""A weak curvature of the second and third order, without folding."""

from __future__ import annotations

import numpy as np

from distsweep.rehearsal.arrays import ComplexArray, resample_spectrum
from distsweep.units import db_to_ratio, spl_db_to_pascal

# A cube of a band-limited signal reaches three times the band. At twice the rate, what lies beyond
# folds back to no lower than the band's edge, so the band itself stays clean: twice is enough.
OVERSAMPLING = 2


def products_of(
    spectrum_pa: ComplexArray,
    *,
    count: int,
    second_db: float,
    third_db: float,
    reference_spl_db: float,
) -> ComplexArray:
    """Spectrum of a₂p² + a₃p³ for the spectrum of p, Pa, both real transforms of `count` samples.

    A sine of amplitude A gives a₂A²/2 at twice and a₃A³/4 at three times its frequency. That sets
    the coefficients from the levels, dB re the sine, wanted when it has `reference_spl_db`.
    """
    amplitude_pa = float(np.sqrt(2.0) * spl_db_to_pascal(reference_spl_db))
    second = 2.0 * float(db_to_ratio(second_db)) / amplitude_pa
    third = 4.0 * float(db_to_ratio(third_db)) / amplitude_pa**2
    if second == 0.0 and third == 0.0:
        return np.zeros_like(spectrum_pa)
    fine = OVERSAMPLING * count
    pressure = np.fft.irfft(resample_spectrum(spectrum_pa, count=count, new_count=fine), fine)
    products = np.fft.rfft(pressure**2 * (second + third * pressure))
    return resample_spectrum(products, count=fine, new_count=count)
