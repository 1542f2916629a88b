"""What the windowed spectrum shows of a mode that a sweep passes: a model of its bandwidth."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from distsweep.analysis.sweep.windows import CYCLES_AFTER, FLAT_AFTER
from distsweep.units import ComplexArray, FloatArray

_WIDEST, _POINTS = 16.0, 512
"""Half-width of a template in bandwidths, and its points (chosen: a mode has fallen by 30 dB there,
and a sixteenth of a bandwidth is smooth)."""

_PLACES = (np.arange(_POINTS) - _POINTS // 2) * (2.0 * _WIDEST / _POINTS)
"""Where it is known, in bandwidths from f₀ (chosen: by the numbers above)."""


def template(
    place: FloatArray,
    *,
    frequency_hz: float,
    q: float,
    power: int,
    order: int,
    rate_constant_s: float,
) -> ComplexArray:
    """What a mode, or the n-th product of its motion, gives in the windowed spectrum.

    A sweep passes a mode of high Q so fast that its motion lags behind: with the bandwidth
    B = f₀/Q and the rate r = f₀/L, the motion while the sweep passes f₀ + xB is
    D(x) = ∫ π·e^{−πs + jπps² − j2πxs} ds with p = r/B² (the sweep's phase is quadratic over
    the time in which the mode rings). The n-th product is Dⁿ, and deconvolution takes
    e^{jπps²/n} off again in the domain of s. For n = 1 that gives the mode's own
    1/(1 + j2x): for a linear system the speed does not matter. A window of the impulse
    response over the time τ is a window over s = nBτ.

    Parameters
    ----------
    place : x, distance from f₀ in bandwidths, any shape; held at the template's ends.
    frequency_hz, q : of the mode.
    power : n, 1 for what is radiated.
    order : of the harmonic whose windows were used.
    rate_constant_s : L.
    """
    spectrum = _spectrum(frequency_hz, q, power, order, rate_constant_s)
    return np.asarray(np.interp(place, _PLACES, spectrum))


@lru_cache(maxsize=64)
def _spectrum(
    frequency_hz: float, q: float, power: int, order: int, rate_constant_s: float
) -> ComplexArray:
    """Return it at _PLACES; curves of several takes and rungs ask for the same."""
    bandwidth = frequency_hz / q
    s = np.arange(_POINTS) / (2.0 * _WIDEST)
    chirp = 0.0 if power == 1 else frequency_hz / rate_constant_s / bandwidth**2
    decay = (np.pi / (2.0 * _WIDEST)) * np.exp(-np.pi * s + 1j * np.pi * chirp * s**2)
    decay[0] *= 0.5
    if power > 1:
        decay = np.asarray(np.fft.ifft(np.fft.fft(decay) ** power))
        decay *= np.exp(-1j * np.pi * chirp / power * s**2)
    radiated_hz = frequency_hz * (order if power > 1 else 1)
    window = _window(s / (bandwidth * power), radiated_hz, order, rate_constant_s)
    return np.asarray(np.fft.fftshift(np.fft.fft(decay * window)))


def _window(time_s: FloatArray, radiated_hz: float, order: int, constant_s: float) -> FloatArray:
    """The window of `distsweep.analysis.sweep.windows`, after its centre."""
    reach_s = CYCLES_AFTER / radiated_hz
    if order > 1:
        reach_s = min(reach_s, 0.5 * constant_s * math.log(order / (order - 1)))
    slope = np.clip((time_s / reach_s - FLAT_AFTER) / (1.0 - FLAT_AFTER), 0.0, 1.0)
    return np.asarray(0.5 + 0.5 * np.cos(np.pi * slope))
