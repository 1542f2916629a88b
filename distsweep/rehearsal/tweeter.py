"""The tweeter: a linear response and a weak curvature behind it."""

from __future__ import annotations

import numpy as np

from distsweep.rehearsal.amplifier import high_pass_2, low_pass_2
from distsweep.rehearsal.arrays import (
    ComplexArray,
    FloatArray,
    resample_spectrum,
)
from distsweep.rehearsal.loudspeaker import Tweeter
from distsweep.rehearsal.resonances import high_pass_1
from distsweep.units import db_to_ratio, spl_db_to_pascal

# A cube of a band-limited signal reaches three times the band. At twice the rate, what lies beyond
# folds back to no lower than the band's edge, so the band itself stays clean: twice is enough.
OVERSAMPLING = 2


def response_pa_m_per_v(tweeter: Tweeter, frequency_hz: FloatArray) -> ComplexArray:
    """Linear sound pressure times distance per volt, [shape=(bins,)]."""
    result: ComplexArray = (
        tweeter.sensitivity_pa_m_per_v
        * high_pass_2(frequency_hz, corner_hz=tweeter.resonance_hz, q=tweeter.resonance_q)
        * low_pass_2(frequency_hz, corner_hz=tweeter.upper_hz, q=np.sqrt(0.5))
    )
    return result


def curve(
    tweeter: Tweeter, linear_pa_m: ComplexArray, *, frequency_hz: FloatArray, count: int
) -> ComplexArray:
    """Spectrum of p + a₂p² + a₃p³ for the spectrum of p, both times distance.

    A sine of amplitude A gives a₂A²/2 at twice and a₃A³/4 at three times its frequency, which sets
    the coefficients from the levels stated.
    """
    amplitude_pa = float(np.sqrt(2.0) * spl_db_to_pascal(tweeter.reference_spl_db))
    second = 2.0 * float(db_to_ratio(tweeter.second_db)) / amplitude_pa
    third = 4.0 * float(db_to_ratio(tweeter.third_db)) / amplitude_pa**2
    if second == 0.0 and third == 0.0:
        return linear_pa_m
    fine = OVERSAMPLING * count
    pressure = np.fft.irfft(resample_spectrum(linear_pa_m, count=count, new_count=fine), fine)
    products = np.fft.rfft(pressure**2 * (second + third * pressure))
    folded = resample_spectrum(products, count=fine, new_count=count)
    # A dome moves no air steadily: the constant part of the square does not radiate.
    result: ComplexArray = linear_pa_m + folded * high_pass_1(frequency_hz, 20.0)
    return result
