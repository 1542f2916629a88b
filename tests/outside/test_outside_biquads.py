"""The cookbook's filters against scipy, and a biquad's gain against a published pair.

R. Bristow-Johnson's cookbook gives analog prototypes as well as digital coefficients: the
prototypes, brought to the digital side by scipy, must give the same coefficients.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import scipy.signal

from distsweep.comparison.filters.biquad import gain_db, response, sections
from distsweep.comparison.filters.record import Filter

RATES_HZ = (44100.0, 48000.0, 96000.0)


def prototype(kind: str, gain: float, one_over_q: float) -> tuple[list[float], list[float]]:
    """Return numerator and denominator in s/ω₀, highest power first (the cookbook's own)."""
    root = 10.0 ** (gain / 40.0)
    side = np.sqrt(root) * one_over_q
    return {
        "peaking": ([1.0, root * one_over_q, 1.0], [1.0, one_over_q / root, 1.0]),
        "low shelf": ([root, root * side, root**2], [root, side, 1.0]),
        "high shelf": ([root**2, root * side, root], [1.0, side, root]),
        "high-pass": ([1.0, 0.0, 0.0], [1.0, one_over_q, 1.0]),
        "low-pass": ([0.0, 0.0, 1.0], [1.0, one_over_q, 1.0]),
    }[kind]


def normalised(b: Any, a: Any) -> tuple[np.ndarray, np.ndarray]:
    return np.array(b) / a[0], np.array(a) / a[0]


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("kind", ["peaking", "low shelf", "high shelf", "high-pass", "low-pass"])
def test_coefficients_are_those_of_the_analog_prototypes(
    kind: str, rate_hz: float, rng: np.random.Generator
) -> None:
    for _ in range(50):
        frequency_hz = float(np.exp(rng.uniform(np.log(20.0), np.log(0.45 * rate_hz))))
        gain = float(rng.uniform(-18.0, 18.0)) if "pass" not in kind else None
        q = float(np.exp(rng.uniform(np.log(0.3), np.log(10.0))))
        slope = None
        one_over_q = 1.0 / q
        if "shelf" in kind and rng.uniform() < 0.5:
            slope, root = float(rng.uniform(0.2, 1.0)), 10.0 ** (float(gain or 0.0) / 40.0)
            one_over_q = float(np.sqrt((root + 1.0 / root) * (1.0 / slope - 1.0) + 2.0))
        one = Filter(kind, rate_hz, frequency_hz, gain, q=None if slope else q, slope=slope)
        # scipy's bilinear(fs) puts s = 2·fs·(z − 1)/(z + 1): 1 rad/s comes to lie at the frequency.
        expected = normalised(
            *scipy.signal.bilinear(
                *prototype(kind, gain or 0.0, one_over_q),
                fs=0.5 / np.tan(np.pi * frequency_hz / rate_hz),
            )
        )
        (section,) = sections(one)
        found = normalised(*section)
        # Both are sums of a few numbers near 1, each rounded to 1e-16; the prototype is divided by
        # the square of the warped frequency, down to 1e-6.
        np.testing.assert_allclose(found[0], expected[0], atol=1e-8)
        np.testing.assert_allclose(found[1], expected[1], atol=1e-8)


@pytest.mark.parametrize("kind", ["high-pass", "low-pass"])
@pytest.mark.parametrize("order", range(1, 9))
def test_orders_are_butterworth_filters(kind: str, order: int) -> None:
    one = Filter(kind, 48000.0, 1500.0, order=order)
    sos = scipy.signal.butter(order, 1500.0, btype=kind.replace("-", ""), fs=48000.0, output="sos")
    grid_hz = np.geomspace(100.0, 23000.0, 400)
    expected = scipy.signal.sosfreqz(sos, worN=grid_hz, fs=48000.0)[1]
    np.testing.assert_allclose(response([one], grid_hz), expected, atol=1e-9)


def test_a_q_of_0_707_is_a_butterworth_filter() -> None:
    one = Filter("low-pass", 48000.0, 3000.0, q=float(np.sqrt(0.5)))
    ((b, a),) = sections(one)
    expected = scipy.signal.butter(2, 3000.0, fs=48000.0)
    np.testing.assert_allclose(normalised(b, a), expected, atol=1e-12)


def test_filters_in_series_are_what_scipy_makes_of_a_sine(rng: np.random.Generator) -> None:
    """A second way: samples filtered one by one, and the sine that is left."""
    rate_hz, hertz, count = 48000.0, 1000.0, 96000
    filters = [
        Filter("peaking", rate_hz, 900.0, 6.0, q=3.0),
        Filter("low shelf", rate_hz, 2000.0, -4.0, slope=0.7),
        Filter("high-pass", rate_hz, 300.0, order=3),
    ]
    angle = 2.0 * np.pi * hertz / rate_hz * np.arange(count)
    heard = np.sin(angle)
    for one in filters:
        for b, a in sections(one):
            heard = scipy.signal.lfilter(b, a, heard)
    tail = slice(count // 2, None)  # whole periods, long after the start has died away
    size = 2.0 * abs(np.mean(heard[tail] * np.exp(-1j * angle[tail])))
    expected = 20.0 * np.log10(size)
    assert gain_db(filters, np.array([hertz]))[0] == pytest.approx(expected, abs=1e-6)


def test_published_coefficients_have_the_published_gain() -> None:
    """Recommendation ITU-R BS.1770-4, annex 1, tables 1 and 2: two biquads for 48 kHz.

    Its offset of −0.691 makes up for their gain at 997 Hz.
    """
    weighting = [
        Filter(
            "biquad", 48000.0,
            b=(1.53512485958697, -2.69169618940638, 1.19839281085285),
            a=(1.0, -1.69065929318241, 0.73248077421585),
        ),
        Filter(
            "biquad", 48000.0, b=(1.0, -2.0, 1.0), a=(1.0, -1.99004745483398, 0.99007225036621)
        ),
    ]  # fmt: skip
    assert gain_db(weighting, np.array([997.0]))[0] == pytest.approx(0.691, abs=0.001)


def test_the_published_high_pass_has_the_cookbooks_poles() -> None:
    """The second of them is a high-pass of 38.135 Hz with a Q of 0.5003, left unscaled.

    Both numbers follow from its poles, by the bilinear transform.
    """
    first, second = -1.99004745483398, 0.99007225036621
    warped = np.sqrt((1.0 + first + second) / (1.0 - first + second))
    q = warped * (1.0 - first + second) / (2.0 * (1.0 - second))
    frequency_hz = 48000.0 / np.pi * np.arctan(warped)
    assert (frequency_hz, q) == (pytest.approx(38.135, abs=0.001), pytest.approx(0.5003, abs=1e-4))
    ((b, a),) = sections(Filter("high-pass", 48000.0, float(frequency_hz), q=float(q)))
    np.testing.assert_allclose(np.array(a) / a[0], [1.0, first, second], atol=1e-12)
    np.testing.assert_allclose(np.array(b) / b[0], [1.0, -2.0, 1.0], atol=1e-12)
