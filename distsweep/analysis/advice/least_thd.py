"""Before anything is measured: the least THD that background and levels would leave known."""

from __future__ import annotations

import numpy as np

from distsweep.analysis.advice.advise import ADVISED_HZ, energies_s, enough_of
from distsweep.analysis.advice.chances import least_known
from distsweep.analysis.noise.background import NoiseSpectrum
from distsweep.analysis.noise.interval import NoisySum
from distsweep.analysis.sweep.grid import frequency_grid
from distsweep.analysis.third_octave import third_octave_bands
from distsweep.stimulus.sweep import Sweep
from distsweep.units import FloatArray, db_to_power

BOTH_SIDES = 0.5
"""Two-sided density of a one-sided one (by its definition)."""

VALUES_A_WINDOW = 1.12
"""Values of independent power per hertz and second of a window's ∫w² dt (by the formula ∫w²/∫w⁴,
which is 1.11 to 1.15 for windows whose later side is one to three times as long as the earlier)."""


# One formula after the other, from the density to the sum over orders: long for its comments.
def least_thd_percent(
    noise: NoiseSpectrum,
    sweep: Sweep,
    fundamental_db: FloatArray,
    fundamental_hz: FloatArray,
    *,
    band_hz: tuple[float, float],
    order: int,
    repeats: int,
) -> float | None:
    """Return the least THD that would be known within 1.5 dB in nine tenths of thirds of an octave.

    Parameters
    ----------
    noise : the background at the input.
    fundamental_db, fundamental_hz : level of the fundamental there, dBFS, shape ``(N,)`` each; as
        the sweep plays it, reduced drive included.
    band_hz, order, repeats : of the measurement.

    Returns
    -------
    Percent of the fundamental; None where no third of an octave from 100 Hz to 5 kHz has a
    harmonic in the band. It falls with the root of repeats, and as the fundamental rises.
    """
    middle_hz, inside = third_octave_bands(frequency_grid(band_hz))
    asked = (middle_hz >= ADVISED_HZ[0]) & (middle_hz <= ADVISED_HZ[1])
    asked &= 2.0 * middle_hz <= band_hz[1]
    if not np.any(asked):
        return None
    middle_hz, points = middle_hz[asked], np.sum(inside[asked], axis=1)
    level_db = np.interp(np.log(middle_hz), np.log(fundamental_hz), fundamental_db)
    orders = np.arange(2, order + 1)[:, None]
    radiated_hz = orders * middle_hz
    energy_s = energies_s(
        order, middle_hz, lowest_hz=band_hz[0], rate_constant_s=sweep.rate_constant_s
    )
    width_hz = radiated_hz * (10.0**0.05 - 10.0**-0.05)
    density = np.array(
        [noise.mean_around(*pair) for pair in zip(radiated_hz, width_hz, strict=True)]
    )
    # The inverse weighs a spectrum by 2·sqrt(f/L): see Deconvolver.
    seen = 4.0 * radiated_hz / sweep.rate_constant_s * BOTH_SIDES * density * energy_s
    seen /= repeats * db_to_power(level_db)
    worth = np.clip(VALUES_A_WINDOW * width_hz * energy_s, 1.0, points)
    thd = NoisySum(
        total=np.where(radiated_hz <= band_hz[1], seen, np.nan),
        noise=seen,
        cross=seen / np.clip(width_hz * energy_s, 1.0, points),
        spread=seen**2 / worth,
        relative=np.zeros_like(seen),
        degrees=noise.degrees_around(width_hz),
    ).summed()
    least = np.sort(least_known(thd, np.zeros(len(middle_hz))))
    return float(100.0 * np.sqrt(least[enough_of(len(least)) - 1]))
