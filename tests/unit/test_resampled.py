"""Whether a background was resampled, on noise through known filters and resamplers."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal
from numpy.typing import NDArray

from distsweep.capture.resampled import WALL_DB, find_wall, resampling_warning

RATE_HZ = 48000.0
SAMPLES = 24000


def white(seed: int, samples: int = SAMPLES) -> NDArray:
    return 1e-4 * np.random.default_rng(seed).standard_normal(samples)


def room(seed: int) -> NDArray:
    """Rumble that falls by 12 dB an octave, hum, and the preamplifier's white noise."""
    low = scipy.signal.sosfilt(
        scipy.signal.butter(2, 60.0, fs=RATE_HZ, output="sos"), 300.0 * white(seed)
    )
    hum = 1e-3 * np.sin(2 * np.pi * 50.0 * np.arange(SAMPLES) / RATE_HZ)
    return low + hum + 0.03 * white(seed + 100)


def half_band(seed: int) -> NDArray:
    """A converter's filter: flat to 0.454 of the rate, 6 dB down at 0.5, 100 dB at 0.546.

    Made at twice the rate and decimated, so that it aliases as a converter does.
    """
    taps = scipy.signal.firwin(259, 0.5, window=("kaiser", 10.0))
    return scipy.signal.lfilter(taps, 1.0, white(seed, 2 * SAMPLES))[::2]


def slow(seed: int) -> NDArray:
    """A converter's slow filter, 3 dB down at 0.43 of the rate and 6 at 0.49; it aliases too."""
    sos = scipy.signal.butter(4, 0.43, output="sos")
    return scipy.signal.sosfilt(sos, white(seed, 2 * SAMPLES))[::2]


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("background", [white, room, half_band, slow])
def test_what_converters_deliver_has_no_wall(background, seed: int) -> None:
    wall = find_wall(background(seed), rate_hz=RATE_HZ)
    assert wall is not None and wall.drop_db < 12.0, wall
    assert resampling_warning(background(seed), rate_hz=RATE_HZ) is None


def resampled(from_hz: int, to_hz: int, *, cutoff: float, taps: int = 64) -> NDArray:
    """Noise at one rate brought to another through a polyphase filter.

    ``cutoff`` re half the lower rate; ``taps`` a phase.
    """
    divisor = np.gcd(from_hz, to_hz)
    up, down = to_hz // divisor, from_hz // divisor
    fir = scipy.signal.firwin(
        taps * max(up, down) + 1, cutoff / max(up, down), window=("kaiser", 8.0)
    )
    return scipy.signal.resample_poly(white(3, from_hz), up, down, window=fir)[:to_hz]


@pytest.mark.parametrize(
    ("from_hz", "to_hz", "cutoff", "edge_hz"),
    [
        (48000, 44100, 0.91, 20000),  # what a sound server does to a stimulus at 44.1 kHz
        (44100, 48000, 0.91, 20000),
        (48000, 96000, 0.91, 21800),
        (96000, 48000, 0.91, 21800),
        (48000, 192000, 0.95, 22800),
    ],
)
def test_a_resampled_background_is_told(
    from_hz: int, to_hz: int, cutoff: float, edge_hz: float
) -> None:
    wall = find_wall(resampled(from_hz, to_hz, cutoff=cutoff), rate_hz=to_hz)
    assert wall is not None and wall.drop_db >= WALL_DB, wall
    assert abs(wall.reaches_hz - edge_hz) < 0.06 * to_hz
    warned = resampling_warning(resampled(from_hz, to_hz, cutoff=cutoff), rate_hz=to_hz)
    assert warned is not None and f"{to_hz:g} Hz" in warned


def test_nothing_is_told_of_silence_or_too_little() -> None:
    assert find_wall(np.zeros(SAMPLES), rate_hz=RATE_HZ) is None
    assert find_wall(white(1, 3000), rate_hz=RATE_HZ) is None
    assert resampling_warning(np.zeros(SAMPLES), rate_hz=RATE_HZ) is None


def test_an_interfering_tone_above_does_not_hide_a_level_background() -> None:
    tone = 1e-3 * np.sin(2 * np.pi * 19000.0 * np.arange(SAMPLES) / RATE_HZ)
    assert resampling_warning(white(1) + tone, rate_hz=RATE_HZ) is None
