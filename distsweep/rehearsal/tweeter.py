"""The tweeter: a linear response and a weak curvature behind it."""

from __future__ import annotations

import numpy as np

from distsweep.rehearsal.amplifier import high_pass_2, low_pass_2
from distsweep.rehearsal.arrays import ComplexArray, FloatArray
from distsweep.rehearsal.curvature import products_of
from distsweep.rehearsal.loudspeaker import Tweeter
from distsweep.rehearsal.resonances import high_pass_1


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
    """Spectrum of the tweeter's sound with its products, for that of its linear sound, Pa·m."""
    products = products_of(
        linear_pa_m,
        count=count,
        harmonics_db={2: tweeter.second_db, 3: tweeter.third_db},
        reference_spl_db=tweeter.reference_spl_db,
    )
    # A dome moves no air steadily: the constant part of the square does not radiate.
    result: ComplexArray = linear_pa_m + products * high_pass_1(frequency_hz, 20.0)
    return result
