"""What reaches the microphone after the direct sound: how much, and when."""

from __future__ import annotations

import math

import numpy as np

from distsweep.analysis.sweep.harmonics import ImpulseResponse
from distsweep.fast_length import fast_length
from distsweep.units import ComplexArray, FloatArray, db_to_ratio

WINDOW_S = 0.45
"""So much of an impulse response counts after the direct sound, the last third of it ever less
(chosen: nearly all that is kept of it; a mode of Q 60 at 250 Hz falls by 34 dB in two thirds)."""

SUBBANDS_PER_OCTAVE = 4
"""Reflected power is measured in bands so wide and so far apart (chosen: a mode fills one or two
of the nine within an octave, which their median does not heed)."""

SETTLED_PERIODS = 5.0
"""After so many periods the band-passed direct sound has gone (by the formula of a Gaussian a
quarter octave wide at −3 dB, whose envelope has fallen by 47 dB then)."""

SUBBAND_FROM_HZ = 62.5
"""The lowest of these bands (chosen: an octave below what is searched)."""

TIMES_S = np.geomspace(1e-3, WINDOW_S, 24)
"""Between these, power is averaged (chosen: each stretch is 30 % longer than the one before)."""


def counted_share(delay_s: FloatArray) -> FloatArray:
    """Return the share of the power at some delays that the window leaves."""
    fade = np.clip(3.0 * delay_s / WINDOW_S - 2.0, 0.0, 1.0)
    return np.asarray((0.5 + 0.5 * np.cos(np.pi * fade)) ** 2)


class Spectrum:
    """The spectrum of an impulse response behind a window, phase re the direct sound."""

    def __init__(self, impulse: ImpulseResponse) -> None:
        """Transform once."""
        after = int(WINDOW_S * impulse.rate_hz)
        kept = impulse.samples[: impulse.origin + after].copy()
        fade = after // 3
        kept[len(kept) - fade :] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(fade) / fade)
        length = fast_length(2 * len(kept))
        shifted = np.roll(np.pad(kept, (0, length - len(kept))), -impulse.origin)
        self.values: ComplexArray = np.asarray(np.fft.rfft(shifted))
        self.step_hz = impulse.rate_hz / length
        octaves = math.log2(len(self.values) * self.step_hz / SUBBAND_FROM_HZ)
        steps = np.arange(int(octaves * SUBBANDS_PER_OCTAVE))
        self._centres_hz = SUBBAND_FROM_HZ * 2.0 ** (steps / SUBBANDS_PER_OCTAVE)
        self._powers = np.array([self._power(float(centre)) for centre in self._centres_hz])

    def at(self, frequency_hz: FloatArray) -> ComplexArray:
        """Return values between bins, which the window leaves smooth."""
        place = frequency_hz / self.step_hz
        first = np.clip(place.astype(int), 0, len(self.values) - 2)
        share = place - first
        return np.asarray((1.0 - share) * self.values[first] + share * self.values[first + 1])

    def reflected_power(self, centre_hz: float, delay_s: FloatArray) -> FloatArray:
        """Return the reflected power a second at some delays, re the direct sound's energy.

        The median over the bands within an octave, which does not heed a mode's own ringing;
        0.8 of the mean, about, for power that fluctuates as noise does.
        """
        near = np.abs(np.log2(self._centres_hz / centre_hz)) < 1.0 + 0.5 / SUBBANDS_PER_OCTAVE
        median = np.median(self._powers[near], axis=0) / 0.8
        middle_s = np.sqrt(TIMES_S[1:] * TIMES_S[:-1])
        level = np.log(np.maximum(median, 1e-12))
        return np.asarray(np.exp(np.interp(np.log(delay_s), np.log(middle_s), level)))

    def _power(self, centre_hz: float) -> FloatArray:
        """Return the mean power behind a band-pass between TIMES_S, re the direct sound's energy.

        Where that is still there it is taken to be as after.
        """
        ends = 2.0 ** (np.array([0.5, -0.5]) / SUBBANDS_PER_OCTAVE)
        sigma_bins = (
            centre_hz * (ends[0] - ends[1]) / (2.0 * math.sqrt(math.log(2.0)) * self.step_hz)
        )
        reach = int(4.0 * sigma_bins) + 1
        bins = np.arange(-reach, reach + 1)
        centre = round(centre_hz / self.step_hz)
        inside = (centre + bins >= 0) & (centre + bins < len(self.values))
        count = fast_length(2 * reach + 1)
        band = np.zeros(count, dtype=np.complex128)
        weight = np.exp(-0.5 * (bins[inside] / sigma_bins) ** 2)
        band[bins[inside] % count] = self.values[centre + bins[inside]] * weight
        power = np.abs(np.fft.ifft(band)) ** 2
        step_s = 1.0 / (count * self.step_hz)
        settled = round(SETTLED_PERIODS / centre_hz / step_s)
        direct = float(np.sum(power[:settled]) + np.sum(power[count - settled :]))
        summed = np.concatenate([[0.0], np.cumsum(power)]) / direct
        within = np.diff(np.interp(TIMES_S, np.arange(count + 1) * step_s, summed))
        mean = within / np.diff(TIMES_S)
        gone = int(np.searchsorted(TIMES_S[:-1], SETTLED_PERIODS / centre_hz))
        return np.concatenate([np.full(gone, mean[gone]), mean[gone:]])


REFLECTION_DB, STANDS_OUT_DB = -26.0, 6.0
"""A reflection counts from this level re the direct sound on, where it rises so far from what went
before (chosen: its comb ripples by a decibel; what rings alone falls)."""

REFLECTION_BAND_HZ = (1500.0, 12000.0)
"""It is looked for here (chosen: of 37 simulated loudspeakers with reflections 35 first ones were
then found right to 0.1 ms; lower down, woofer and tweeter arrive apart)."""

EARLIEST_S, LATEST_S = 0.7e-3, 0.05
"""Delays looked for (chosen: what comes before is the cabinet's; after, there are only rooms)."""


def first_reflection_s(impulse: ImpulseResponse) -> float | None:
    """Return when the first reflection arrives after the direct sound, in s; None without any.

    That is the first maximum of the band-passed envelope that is loud enough and stands out.
    """
    rate_hz = impulse.rate_hz
    kept = impulse.samples[: impulse.origin + int(LATEST_S * rate_hz)]
    length = fast_length(2 * len(kept))
    spectrum = np.fft.rfft(kept, length)
    frequency_hz = np.arange(len(spectrum)) * (rate_hz / length)
    low, high = np.log(REFLECTION_BAND_HZ)
    place = (2.0 * np.log(np.maximum(frequency_hz, 1.0)) - low - high) / (high - low)
    band = np.zeros(length, dtype=np.complex128)
    inside = np.abs(place) < 1.0
    band[: len(spectrum)][inside] = spectrum[inside] * np.cos(0.5 * np.pi * place[inside]) ** 2
    envelope = np.abs(np.fft.ifft(band))[: len(kept)]
    direct = int(np.argmax(envelope[: 2 * impulse.origin]))
    after = envelope[direct:] / envelope[direct]
    least = np.maximum(
        float(db_to_ratio(REFLECTION_DB)),
        float(db_to_ratio(STANDS_OUT_DB)) * np.minimum.accumulate(after),
    )
    top = (after[1:-1] >= after[:-2]) & (after[1:-1] >= after[2:]) & (after >= least)[1:-1]
    top[: int(EARLIEST_S * rate_hz)] = False
    found = np.flatnonzero(top)
    return float(found[0] + 1) / rate_hz if len(found) else None
