"""Reflections: found where there are any, not where there are none, and their comb; and the mode
that is fitted beside them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from distsweep.analysis.resonance.echo import Echo, comb_db
from distsweep.analysis.resonance.echo_search import find_echoes
from distsweep.analysis.resonance.linear_response import LinearResponse, linear_response
from distsweep.analysis.resonance.mode_in_response import fit_response
from distsweep.analysis.sweep.harmonics import ImpulseResponse

RATE_HZ = 48000.0
ORIGIN = 480
CROSSOVER_HZ, CORNER_HZ = 2200.0, 5000.0


def response(
    delay_s: float | None = None,
    strength: float = 0.0,
    *,
    apart_s: float = 0.0,
    mode: tuple[float, float] | None = None,
    mode_apart_s: float = 0.0,
) -> LinearResponse:
    """Two drivers from 60 Hz to 15 kHz, perhaps with a mode of the low one, and one reflection.

    The tweeter's reflection comes ``apart_s`` after the woofer's. The mode, at a frequency and
    with a Q, sounds from a place whose reflection comes ``mode_apart_s`` after the woofer's.
    """
    length = 1 << 15
    f = np.maximum(np.fft.rfftfreq(length, 1.0 / RATE_HZ), 1e-3)
    s = 1j * f
    band = (s / 60.0) ** 2 / ((s / 60.0) ** 2 + 1.4 * s / 60.0 + 1.0) / (1.0 + s / 15000.0)
    u = s / CROSSOVER_HZ
    both = (u**2 + math.sqrt(2.0) * u + 1.0) ** 2
    low, high = 1.0 / both, u**4 / both

    def way(late_s: float) -> np.ndarray:
        if delay_s is None:
            return np.ones_like(s)
        turn = np.exp(-2j * np.pi * f * (delay_s + late_s))
        return 1.0 + strength * turn / (1.0 + s / CORNER_HZ)

    heard = low * way(0.0) + high * way(apart_s)
    if mode is not None:
        centre_hz, q = mode
        share = 1.5 / (1.0 + 1j * q * (f / centre_hz - centre_hz / f))
        heard = heard + low * share * way(mode_apart_s)
    samples = np.fft.irfft(band * heard * np.exp(-2j * np.pi * f * ORIGIN / RATE_HZ), length)
    return linear_response(ImpulseResponse(samples[: int(0.51 * RATE_HZ)], ORIGIN, RATE_HZ, 0))


def found(heard: LinearResponse) -> Echo:
    (echo,) = find_echoes(heard, top_hz=18000.0)
    return echo


@pytest.mark.parametrize("delay_s", [0.0011, 0.0017, 0.0031, 0.0064])
@pytest.mark.parametrize("strength", [0.08, 0.15, 0.4])
@pytest.mark.parametrize("apart_s", [-0.0003, 0.0, 0.0003])
def test_delays_strength_and_loss(delay_s: float, strength: float, apart_s: float) -> None:
    echo = found(response(delay_s, strength, apart_s=apart_s))
    # The model is that of this loudspeaker: what is left is what smooth terms take of it.
    assert echo.high_delay_s == pytest.approx(delay_s + apart_s, abs=5e-6)
    assert echo.delay_s == pytest.approx(delay_s, abs=3e-5)
    assert echo.strength == pytest.approx(strength, rel=0.05)
    assert echo.corner_hz == pytest.approx(CORNER_HZ, rel=0.1)


def test_its_comb_is_that_of_a_delayed_copy() -> None:
    echo = found(response(0.0031, 0.3, apart_s=0.0003))
    f = np.linspace(300.0, 700.0, 400)
    delayed = 0.3 * np.exp(-2j * np.pi * f * 0.0031) / (1.0 + 1j * f / CORNER_HZ)
    expected_db = 20.0 * np.log10(np.abs(1.0 + delayed))
    # From peak to dip the comb has 5.3 dB; the tweeter's share of 700 Hz is (700/2200)⁴,
    # a hundredth, which turns a comb of this strength by 20·lg(1 + 0.01·2·0.3/0.7) at most.
    assert np.max(np.abs(comb_db([echo], f) - expected_db)) < 0.08
    # What the woofer makes at three times the frequency comes by its way, up to any frequency.
    delayed = 0.3 * np.exp(-2j * np.pi * 3.0 * f * 0.0031) / (1.0 + 3j * f / CORNER_HZ)
    expected_db = 20.0 * np.log10(np.abs(1.0 + delayed))
    assert np.max(np.abs(comb_db([echo], 3.0 * f, order=3) - expected_db)) < 0.08


@pytest.mark.parametrize("mode", [None, (900.0, 8.0), (900.0, 30.0), (2300.0, 15.0)])
def test_a_mode_is_no_reflection(mode: tuple[float, float] | None) -> None:
    assert find_echoes(response(mode=mode), top_hz=18000.0) == ()


@pytest.mark.parametrize("q", [8.0, 30.0])
def test_a_mode_and_a_reflection_do_not_move_each_other(q: float) -> None:
    """Not even where the mode sounds from elsewhere, so that its comb is another."""
    heard = response(0.0031, 0.4, apart_s=0.0003, mode=(900.0, q), mode_apart_s=-0.0002)
    echo = found(heard)
    assert echo.delay_s == pytest.approx(0.0031, abs=5e-5)
    mode = fit_response(heard, [echo], 930.0)
    assert mode is not None
    assert mode.frequency_hz == pytest.approx(900.0, rel=0.002)
    assert mode.q == pytest.approx(q, rel=0.05)
    assert mode.explained > 0.95


def test_a_reflection_is_found_among_modes() -> None:
    """Where three modes bend the low driver's comb, one as strong as it is fits worse than none."""
    modes = ((1362.0, 10.0), (896.0, 13.0), (1314.0, 13.0))
    plain = response(0.0019, 0.4)
    values = plain.values + sum(
        response(0.0019, 0.4, mode=mode, mode_apart_s=-0.0002).values - plain.values
        for mode in modes
    )
    echo = found(LinearResponse(plain.step_hz, values))
    assert echo.high_delay_s == pytest.approx(0.0019, abs=2e-5)
    assert echo.delay_s == pytest.approx(0.0019, abs=1e-4)
    assert echo.strength == pytest.approx(0.4, rel=0.1)


def test_two_reflections_are_told_apart() -> None:
    floor, ceiling = (
        response(late_s, strength) for late_s, strength in ((0.0029, 0.3), (0.0052, 0.2))
    )
    plain = response()
    both = floor.values + ceiling.values - plain.values
    first, second = find_echoes(LinearResponse(plain.step_hz, both), top_hz=18000.0)
    for echo, delay_s, strength in ((first, 0.0029, 0.3), (second, 0.0052, 0.2)):
        assert echo.delay_s == pytest.approx(delay_s, abs=1e-5)
        assert echo.strength == pytest.approx(strength, rel=0.05)


def test_what_is_smooth_is_no_mode() -> None:
    mode = fit_response(response(), [], 1000.0)
    assert mode is not None
    # What little is left beside polynomials is the flank of something wide: the least Q tried.
    assert mode.q < 4.5


def test_a_mode_outside_of_the_response_is_not_looked_for() -> None:
    heard = response()
    assert fit_response(heard, [], 23500.0) is None
    assert fit_response(heard, [], 12.0) is None


def test_a_narrow_band_says_nothing() -> None:
    heard = response(0.0031, 0.4)
    assert find_echoes(heard, top_hz=5000.0) == ()
    for values in (0.0 * heard.values, heard.values[:1000]):
        assert find_echoes(LinearResponse(heard.step_hz, values), top_hz=18000.0) == ()
