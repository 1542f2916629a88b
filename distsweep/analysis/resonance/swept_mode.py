"""A sweep simulated through a mode: what its products are to that, and to a steady tone."""

from __future__ import annotations

import math

import numpy as np

from distsweep.analysis.sweep.windows import WindowSpans
from distsweep.fast_length import fast_length
from distsweep.units import ComplexArray, FloatArray

REACH_BANDWIDTHS, RINGING_PERIODS_OF_Q, WIDEST_OCTAVES = 10.0, 1.0, 1.5
"""The simulated sweep starts so many bandwidths below the mode, and ends as many above, and later
by so many times Q periods, but no farther than so many octaves (chosen: its products then differ
from those of a whole sweep, read from a closed form, by less than 0.5 % of their top)."""

FADED_OCTAVES = 0.2
"""The simulated sweep's ends are faded over so much (chosen: longer than the lag of a mode of Q 40
in a sweep of 4 s)."""

FOLLOWED_PERIODS_OF_Q = 3.0
"""It is followed while the mode rings for so many times Q periods (chosen: its motion has fallen by
82 dB then, 20·log10(e^(3π)))."""

SPARE_RATE = 1.3
"""Sampling rate over the band that the product fills (chosen: what the fade leaves beyond the band
then folds into its ends only)."""


def steady(frequency_hz: FloatArray, *, mode_hz: float, q: float, order: int) -> ComplexArray:
    """Return B(f)ⁿ of a mode, B = 1/(1 + jQ(f/f₀ − f₀/f)): what a steady tone shows of it."""
    ratio = frequency_hz / mode_hz
    return np.asarray((1.0 / (1.0 + 1j * q * (ratio - 1.0 / ratio))) ** order)


def swept(
    frequency_hz: FloatArray,
    *,
    mode_hz: float,
    q: float,
    order: int,
    rate_constant_s: float,
    spans: WindowSpans,
) -> ComplexArray:
    """Return what the analysis reads of B(f)ⁿ from a sweep.

    The analytic signal of an exponential sweep around the mode passes the mode, is raised to
    its n-th power, divided by the n-th power of the sweep itself, and windowed as every
    harmonic is.

    Parameters
    ----------
    frequency_hz : played, shape ``(G,)``.
    mode_hz, q : of the mode.
    rate_constant_s : the sweep's L.
    spans : the windows of this order.
    """
    widest = WIDEST_OCTAVES * math.log(2.0)
    aside = REACH_BANDWIDTHS / q + FADED_OCTAVES * math.log(2.0)
    later = RINGING_PERIODS_OF_Q * q / mode_hz / rate_constant_s
    low_hz = mode_hz * math.exp(-min(aside, widest))
    high_hz = mode_hz * math.exp(min(aside + later, widest))
    middle_hz, rate_hz = 0.5 * (low_hz + high_hz), SPARE_RATE * order * (high_hz - low_hz)
    count = int(rate_constant_s * math.log(high_hz / low_hz) * rate_hz)
    length = fast_length(count + int(FOLLOWED_PERIODS_OF_Q * q / low_hz * rate_hz))
    time_s = np.arange(count) / rate_hz
    at_hz = low_hz * np.exp(time_s / rate_constant_s)
    ends = np.minimum(np.log2(at_hz / low_hz), np.log2(high_hz / at_hz)) / FADED_OCTAVES
    fade = 0.5 - 0.5 * np.cos(np.pi * np.clip(ends, 0.0, 1.0))
    # The signal is kept about the middle of its band, and its n-th power about n times that.
    turns = at_hz * rate_constant_s - middle_hz * time_s
    spectrum = np.fft.fft(fade * np.exp(2j * np.pi * turns), length)
    offset_hz = np.fft.fftfreq(length, 1.0 / rate_hz)
    played_hz = np.maximum(middle_hz + offset_hz, 1e-3 * middle_hz)
    motion = np.fft.ifft(spectrum * steady(played_hz, mode_hz=mode_hz, q=q, order=1))
    heard_hz = np.maximum(order * middle_hz + offset_hz, 1e-3 * middle_hz)
    # Analytic inverse of the sweep's n-th power: n's place at zero.
    phase = rate_constant_s * heard_hz * (np.log(heard_hz / (order * low_hz)) - 1.0) - 0.125
    inverse = np.sqrt(heard_hz / rate_constant_s) / rate_hz * np.exp(2j * np.pi * phase)
    response = np.fft.ifft(np.fft.fft(motion**order) * inverse)
    place_s = np.arange(length) / rate_hz
    place_s[length // 2 :] -= length / rate_hz
    return _read_off(response, place_s, order * frequency_hz, order * middle_hz, spans)


def _read_off(
    response: ComplexArray,
    place_s: FloatArray,
    heard_hz: FloatArray,
    middle_hz: float,
    spans: WindowSpans,
) -> ComplexArray:
    """Return the windowed spectrum at some frequencies of a response kept about ``middle_hz``."""
    values = np.zeros(len(heard_hz), dtype=np.complex128)
    lower, blend = spans.places(heard_hz)
    for octave in sorted({*lower, *(lower + 1)}):
        share = (lower == octave) * (1.0 - blend) + (lower + 1 == octave) * blend
        window = spans.window(int(octave), place_s)
        kept = window > 0.0
        points = np.flatnonzero(share)
        turns = np.exp(-2j * np.pi * np.outer(heard_hz[points] - middle_hz, place_s[kept]))
        values[points] += share[points] * (turns @ (response[kept] * window[kept]))
    return values
