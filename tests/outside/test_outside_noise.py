"""Intervals in noise against published distributions, tables and another program's spectra."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal
import scipy.stats

from distsweep.analysis.noise.background import noise_spectrum
from distsweep.analysis.noise.interval import NoisySum, normal_share, student_quantile
from distsweep.analysis.sweep.intervals import wider

RATE_HZ = 8000


def single(power: np.ndarray, noise: float = 1.0) -> NoisySum:
    shape = np.ones_like(power)
    return NoisySum.single(power, noise * shape, np.inf * shape, 0.0 * shape)


@pytest.mark.parametrize("snr_db", [3.0, 6.0, 10.0, 20.0, 40.0])
def test_the_ends_are_quantiles_of_a_sine_in_noise(snr_db: float) -> None:
    """The envelope of a sine in Gaussian noise (Rice, Bell Syst. Tech. J. 23, 1944, and 24, 1945).

    What lies at the 97.5 % quantile of an amplitude has that amplitude as its low end. The gamma
    distribution in place of Rice's is right to a few hundredths of the interval.
    """
    amplitude = 10.0 ** (snr_db / 20.0)
    # scipy's b is A/σ of one of two quadratures; the mean square of both is 1 here.
    rice = scipy.stats.rice(amplitude * np.sqrt(2.0), scale=np.sqrt(0.5))
    low, high = rice.ppf(0.975), rice.ppf(0.025)
    _, low_db, _ = single(np.array([low**2])).interval()
    _, _, high_db = single(np.array([max(high**2, 1.0)])).interval()
    width_db = 20.0 * np.log10(low / high)
    assert abs(low_db[0] - snr_db) < 0.05 * width_db
    if high > 1.0:
        assert abs(high_db[0] - snr_db) < 0.05 * width_db


def test_the_mean_power_is_that_of_signal_and_noise() -> None:
    """E|A + n|² = A² + σ² (Rice 1945: the mean square of the envelope)."""
    rice = scipy.stats.rice(3.0 * np.sqrt(2.0), scale=np.sqrt(0.5))
    level_db, _, _ = single(np.array([rice.moment(2)])).interval()
    assert level_db[0] == pytest.approx(20.0 * np.log10(3.0), abs=1e-9)


@pytest.mark.parametrize(
    ("degrees", "quantile"), [(5, 2.571), (8, 2.306), (12, 2.179), (18, 2.101), (30, 2.042)]
)
def test_student_s_quantiles(degrees: int, quantile: float) -> None:
    """Table of t for 95 %, two-sided: GUM (JCGM 100:2008), table G.2."""
    assert float(student_quantile(np.array([degrees]))[0]) == pytest.approx(quantile, abs=0.001)


def test_normal_share_is_that_of_another_program() -> None:
    deviates = np.linspace(-9.0, 9.0, 2001)
    # The polynomial's error, by its source.
    assert normal_share(deviates) == pytest.approx(scipy.stats.norm.cdf(deviates), abs=7.5e-8)


@pytest.mark.parametrize("bandwidth_bins", [1, 4, 16])
def test_averaged_spectra_spread_as_welch_says(
    bandwidth_bins: int, rng: np.random.Generator
) -> None:
    """Welch, IEEE Trans. Audio Electroacoust. 15(2), 1967; spectra by scipy.signal.welch."""
    means = []
    for _ in range(400):
        noise = rng.standard_normal(3 * RATE_HZ)
        length = int(0.68 * RATE_HZ) // 2 * 2
        _, density = scipy.signal.welch(
            noise, RATE_HZ, "hann", length, length // 2, detrend=False, scaling="density"
        )
        first = 100 + np.arange(0, 2000, 40)
        means.append([np.mean(density[k : k + bandwidth_bins]) for k in first])
    seen = 2.0 / np.mean(np.var(means, axis=0) / np.mean(means, axis=0) ** 2)
    ours = noise_spectrum([noise], rate_hz=RATE_HZ)
    assert ours is not None
    stated = float(ours.degrees_around(np.array([bandwidth_bins * ours.bin_hz]))[0])
    # 400 × 50 spectra, of which neighbours share nothing: 2 % of spread.
    assert stated == pytest.approx(seen, rel=0.1)


def test_independent_uncertainties_add_as_squares() -> None:
    """GUM (JCGM 100:2008), 5.1.2: the combined uncertainty of uncorrelated contributions."""
    level, low, high = (np.array([x]) for x in (0.0, -0.3, 0.3))
    _, low_db, high_db = wider((level, low, high), np.array([0.4]))
    assert (low_db[0], high_db[0]) == (pytest.approx(-0.5), pytest.approx(0.5))
