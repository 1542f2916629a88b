"""Whether what was recorded in a rung's place is the sweep that should sound there.

Deconvolved with its own sweep, a rung gives most of its energy near the direct sound, every
octave at the same time; with another sweep's inverse, energy is smeared over time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.analysis.sweep.deconvolution import Responses
from distsweep.units import BoolArray, FloatArray

LOWEST_OCTAVE_HZ, SMEAR_FROM_HZ = 250.0, 500.0
"""Lowest octaves by which an arrival, and its drift from octave to octave, are judged (chosen:
below the first rooms blur it, below the second bass drivers and crossovers delay it; of a band that
ends low the octaves from an eighth of its end on serve)."""

REACH_S = 0.1
"""Time on either side of the markers' place in which arrivals are looked for (chosen: longer than
any loudspeaker delays one octave, short enough for noise not to pass for an arrival)."""

CLEAR_OCTAVE = 3.0
"""An octave's largest amplitude over the RMS around it from which its arrival is clear (chosen:
of 200 ms of noise one in 40 exceeds it)."""

SMEAR_CLEAR = 4.0
"""The same where the drift from octave to octave is read off (chosen: a false sign of one step
would spoil it)."""

ENVELOPE_S = 0.001
"""A rung's arrival is that of the most energy in so short a time (chosen: a direct sound with its
first reflection from the cabinet)."""

WITH_MARKERS_S, WITH_MARKERS_PERIODS = 0.015, 2.0
"""An octave arrives with the markers within this and so many of its lowest frequency's periods
(chosen: rooms in which a reflection is louder than the direct sound)."""

CLEAR_ARRIVAL = 20.0
"""Energy of the arrival over the mean around it from which it is clear (chosen: noise alone
reaches 3, a late room with reverberation 6 dB above the direct sound gives 25)."""


def _direct_s(responses: Responses) -> FloatArray:
    """Return when each rung's direct sound arrives, NaN where that is not clear, ``(R,)``."""
    reach = int(REACH_S * responses.rate_hz)
    width = max(1, int(ENVELOPE_S * responses.rate_hz))
    first = max(0, responses.origin - reach)
    around = responses.full[:, first : responses.origin + reach] ** 2
    running = np.cumsum(np.pad(around, ((0, 0), (1, 0))), axis=1)
    energies = (running[:, width:] - running[:, :-width]) / width
    place = np.argmax(energies, axis=1)
    clear = np.max(energies, axis=1) > CLEAR_ARRIVAL * np.mean(around, axis=1)
    late = (place + 0.5 * width + first - responses.origin) / responses.rate_hz
    return np.where(clear, late, np.nan)


@dataclass(frozen=True)
class OctaveArrivals:
    """When each octave of each rung arrives re where the markers put it.

    Attributes
    ----------
    low_hz : lower end of each octave, shape ``(O,)``.
    late_s : shape ``(R, O)``.
    clearness : the largest amplitude over the RMS around it, shape ``(R, O)``.
    """

    low_hz: FloatArray
    late_s: FloatArray
    clearness: FloatArray

    @property
    def in_place(self) -> BoolArray:
        """Whether each rung is the sweep that should sound there, shape ``(R,)``.

        Two octaves (all, where there are fewer) must arrive with the markers, and more than
        those that clearly arrive at another time.
        """
        allowed_s = WITH_MARKERS_S + WITH_MARKERS_PERIODS / self.low_hz
        clear, near = self.clearness > CLEAR_OCTAVE, np.abs(self.late_s) <= allowed_s
        fitting, others = np.sum(clear & near, axis=1), np.sum(clear & ~near, axis=1)
        return np.asarray((fitting >= min(2, len(self.low_hz))) & (fitting > others))

    def smear_s(self, row: int) -> float:
        """Return by how much later, per octave, a rung arrives from octave to octave.

        A loudspeaker's treble arrives within a millisecond of its middle. The inverse of
        another sweep makes the arrival drift steadily with frequency: then every step from
        octave to octave has the same sign, and the smallest step is returned. It is 0 where
        the steps differ in sign, or fewer than four octaves lie above 500 Hz, or are not clear.
        """
        above = self.low_hz >= SMEAR_FROM_HZ
        steps_s = np.diff(self.late_s[row, above])
        if len(steps_s) < 3 or np.any(self.clearness[row, above] < SMEAR_CLEAR):
            return 0.0
        if np.any(np.sign(steps_s) != np.sign(steps_s[0])):
            return 0.0
        return float(np.min(np.abs(steps_s)))


@dataclass(frozen=True)
class Arrivals:
    """When each rung's sound arrives, in the order played, re where the markers put it.

    Attributes
    ----------
    direct_s : arrival of the direct sound, shape ``(R,)``; NaN where none within REACH_S is clear.
    octaves : the same octave by octave.
    smear_s : by how much the strongest rung's arrival drifts per octave; 0 for the right sweep.
    """

    direct_s: FloatArray
    octaves: OctaveArrivals
    smear_s: float


def find_arrivals(responses: Responses, band_hz: tuple[float, float]) -> Arrivals:
    """Look in every rung for when its sound arrives; ``band_hz`` is the measured band."""
    octaves = octave_arrivals(responses, band_hz)
    strongest = int(np.argmax(np.sum(responses.low**2, axis=1)))
    return Arrivals(_direct_s(responses), octaves, octaves.smear_s(strongest))


def octave_arrivals(responses: Responses, band_hz: tuple[float, float]) -> OctaveArrivals:
    """Look in every rung for when each octave of the band arrives."""
    reach = int(REACH_S * responses.rate_hz)
    first = max(0, responses.origin - reach)
    part = responses.full[:, first : responses.origin + reach]
    spectra = np.fft.rfft(part, axis=1)
    frequency_hz = np.arange(spectra.shape[1]) * (responses.rate_hz / part.shape[1])
    lows_hz, late_s, clearness = [], [], []
    low_hz = max(min(LOWEST_OCTAVE_HZ, band_hz[1] / 8.0), 2.0 * band_hz[0])
    while 2.0 * low_hz <= band_hz[1]:
        inside = (frequency_hz >= low_hz) & (frequency_hz < 2.0 * low_hz)
        # Positive frequencies alone give the octave's envelope.
        envelope = np.abs(np.fft.ifft(np.where(inside, spectra, 0.0), part.shape[1], axis=1))
        place = np.argmax(envelope, axis=1)
        usual = np.sqrt(np.mean(envelope**2, axis=1))
        lows_hz.append(low_hz)
        late_s.append((place + first - responses.origin) / responses.rate_hz)
        clearness.append(np.max(envelope, axis=1) / np.maximum(usual, 1e-300))
        low_hz *= 2.0
    return OctaveArrivals(np.array(lows_hz), np.array(late_s).T, np.array(clearness).T)
