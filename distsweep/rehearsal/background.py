"""Recordings while nothing plays: room, hum, and what the loudspeaker adds while it is on."""

from __future__ import annotations

import numpy as np

from distsweep.rehearsal.arrays import FloatArray, fast_length, frequencies_hz
from distsweep.rehearsal.bench import Bench
from distsweep.rehearsal.loudspeaker import Loudspeaker
from distsweep.rehearsal.recorder import hum_pa, noise_pa
from distsweep.rehearsal.tweeter import response_pa_m_per_v

WANDER_DB = 0.7
"""Standard deviation of the room's noise from one recording to the next, and about how far it
drifts within one (chosen: rooms change by a decibel or so within minutes)."""

HISS_BAND_HZ = 20.0, 20000.0


def background(
    loudspeaker: Loudspeaker,
    bench: Bench,
    *,
    rate_hz: float,
    seconds: float,
    distance_m: float,
    on: bool,
    seed: int = 0,
) -> FloatArray:
    """Recording of the room, close to the tweeter, with the loudspeaker on or off.

    Parameters
    ----------
    distance_m : from the tweeter to the microphone; its direct sound falls as 1/r.
    seed : of all noise, and of how loud the room happens to be.

    Returns
    -------
    The recording, float64, shape ``(n,)``, in the full scale of `measure`.
    """
    generator = np.random.default_rng(seed)
    count = round(seconds * rate_hz)
    level_db, drift_db = WANDER_DB * generator.standard_normal(2)
    gain = 10.0 ** ((level_db + drift_db * np.linspace(-0.5, 0.5, count)) / 20.0)
    heard_pa = gain * noise_pa(bench, count, rate_hz=rate_hz, generator=generator)
    heard_pa += hum_pa(bench, np.arange(count) / rate_hz, generator=generator)
    if on:
        heard_pa += hiss_pa_m(loudspeaker, count, rate_hz=rate_hz, generator=generator) / distance_m
    result: FloatArray = heard_pa / (np.sqrt(2.0) * bench.pascal_per_fs)
    return result


def hiss_pa_m(
    loudspeaker: Loudspeaker, count: int, *, rate_hz: float, generator: np.random.Generator
) -> FloatArray:
    """Pressure times distance of the amplifier's noise through the tweeter, shape ``(count,)``."""
    length = fast_length(count)
    low_hz, high_hz = HISS_BAND_HZ
    # White noise of unit variance reaches to half the rate; the stated voltage to 20 kHz.
    rms_v = 1e-6 * loudspeaker.hiss_uv * np.sqrt(0.5 * rate_hz / (high_hz - low_hz))
    spectrum = np.fft.rfft(rms_v * generator.standard_normal(length))
    spectrum *= response_pa_m_per_v(loudspeaker.tweeter, frequencies_hz(length, rate_hz))
    return np.fft.irfft(spectrum, length)[:count]
