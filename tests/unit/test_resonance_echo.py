"""The strongest reflection: found where there is one, not where there is none, and its comb."""

from __future__ import annotations

import numpy as np
import pytest

from distsweep.analysis.echo import find_echo, seen_above_db
from distsweep.analysis.ladder import ImpulseResponse

RATE_HZ = 48000.0
ORIGIN = 480


def impulse(delay_s: float | None, strength: float, *, q: float | None = None) -> ImpulseResponse:
    """A loudspeaker from 60 Hz to 15 kHz, perhaps with a mode, and perhaps one reflection."""
    length = 1 << 15
    f = np.fft.rfftfreq(length, 1.0 / RATE_HZ)
    s = 1j * np.maximum(f, 1e-3)
    response = (s / 60.0) ** 2 / ((s / 60.0) ** 2 + 1.4 * s / 60.0 + 1.0)
    response /= 1.0 + s / 15000.0
    if q is not None:
        response *= 1.0 + 2.0 / (1.0 + 1j * q * (f / 900.0 - 900.0 / np.maximum(f, 1e-3)))
    if delay_s is not None:
        response *= 1.0 + strength * np.exp(-2j * np.pi * f * delay_s)
    samples = np.fft.irfft(response * np.exp(-2j * np.pi * f * ORIGIN / RATE_HZ), length)
    return ImpulseResponse(samples[: int(0.51 * RATE_HZ)], ORIGIN, RATE_HZ, 0)


@pytest.mark.parametrize("delay_s", [0.0017, 0.0031, 0.0064])
@pytest.mark.parametrize("strength", [0.15, 0.4])
def test_delay_and_strength(delay_s: float, strength: float) -> None:
    echo = find_echo(impulse(delay_s, strength))
    assert echo is not None
    # Delays are tried 0.03 ms apart, and the highest corner tried, 8 kHz, is itself late by
    # 1/(2π·8 kHz) = 0.02 ms.
    assert echo.delay_s == pytest.approx(delay_s, abs=5e-5)
    # Of a first-order fit to a reflection without loss, which the corners tried do not hold.
    assert echo.strength == pytest.approx(strength, rel=0.25)


def test_its_comb_is_that_of_a_delayed_copy() -> None:
    echo = find_echo(impulse(0.0031, 0.3))
    assert echo is not None
    f = np.linspace(300.0, 3000.0, 400)
    comb_db = 20.0 * np.log10(np.abs(1.0 + 0.3 * np.exp(-2j * np.pi * f * 0.0031)))
    # From peak to dip the comb has 5.4 dB; the fit leaves a fifth of it.
    assert np.sqrt(np.mean((echo.comb_db(f) - comb_db) ** 2)) < 0.4
    assert echo.comb_db(np.array([9000.0])) == 0.0


@pytest.mark.parametrize("q", [None, 8.0, 30.0])
def test_a_mode_is_no_reflection(q: float | None) -> None:
    assert find_echo(impulse(None, 0.0, q=q)) is None


def test_a_reflection_is_found_beside_a_mode() -> None:
    echo = find_echo(impulse(0.0031, 0.4, q=30.0))
    assert echo is not None
    assert echo.delay_s == pytest.approx(0.0031, abs=5e-5)


def test_what_the_response_shows_over_time() -> None:
    assert seen_above_db(impulse(0.004, 0.3), 0.004) > 10.0
    assert seen_above_db(impulse(0.004, 0.3), 0.006) < 1.0


def test_a_low_rate_says_nothing() -> None:
    quiet = impulse(0.0031, 0.4)
    assert find_echo(ImpulseResponse(quiet.samples, ORIGIN, 6000.0, 0)) is None
    assert find_echo(ImpulseResponse(0.0 * quiet.samples, ORIGIN, RATE_HZ, 0)) is None
