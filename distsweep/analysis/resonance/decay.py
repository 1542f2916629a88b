"""How long the impulse response rings at a frequency, and Q from that."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.sweep.harmonics import ImpulseResponse
from distsweep.fast_length import fast_length
from distsweep.reason import Reason
from distsweep.results import DecayMap
from distsweep.units import ComplexArray, FloatArray, ratio_to_db

DECAY_DB_PER_PERIOD_OVER_Q = 20.0 * math.pi * math.log10(math.e)
"""27.2875: a mode falls by 27.3·f/Q dB a second (by definition of Q, as its amplitude goes as
exp(−πft/Q))."""

RING_DB = 20.0
"""Ring time is counted to this fall (chosen: to 60 dB no room is quiet enough)."""

LEAST_FALL_DB = 10.0
"""Fall that must be seen before a slope is worth a number (chosen: a ripple of 1 dB then moves
Q by a tenth)."""

FIT_FROM_DB, FIT_TO_DB = -3.0, -25.0
"""A straight line is fitted to this part of the decay, re its maximum (chosen: before, the
band-pass bends it; after, the room)."""

ABOVE_NOISE_DB = 8.0
"""The line ends so far above the noise (chosen: noise adds its power, and lifts the end by 0.6 dB;
CLEAR_DB would leave too short a line in a quiet living room)."""

LONGER_THAN_NEIGHBOURS = 1.5
"""A resonance must ring so much longer than its neighbours to count as seen
(chosen: rooms and neighbouring modes make ring times differ by a third from place to place)."""

MAP_BANDWIDTH_OCTAVES = 1.0 / 6.0
MAP_POINTS_PER_OCTAVE, MAP_LONGEST_S, MAP_TIMES = 12, 0.1, 64
MAP_FLOOR_DB = -40.0
MAP_BAND_HZ = (100.0, 8000.0)
"""Of the decay map (chosen: what a figure of a column's width shows; two points a band-pass; below
−40 dB and after 0.1 s there is mostly the room)."""

_POINTS = 2048
"""Of an envelope (chosen: half a millisecond apart, as a mode of Q 60 at 2.5 kHz needs)."""


class Ringing:
    """The spectrum of an impulse response, from which envelopes behind band-passes are cut."""

    def __init__(self, impulse: ImpulseResponse) -> None:
        """Transform once; ``impulse`` may be any length."""
        self.rate_hz = impulse.rate_hz
        kept = impulse.samples
        self.length = fast_length(2 * len(kept))
        self.span_s = (len(kept) - impulse.origin) / impulse.rate_hz
        self._spectrum: ComplexArray = np.asarray(
            np.fft.rfft(np.roll(np.pad(kept, (0, self.length - len(kept))), -impulse.origin))
        )
        self._bin_hz = impulse.rate_hz / self.length

    def envelope_db(
        self, frequency_hz: float, bandwidth_hz: float
    ) -> tuple[FloatArray, FloatArray]:
        """Return time after the direct sound, s, and the envelope's level, dB re its maximum.

        The band-pass is a Gaussian with the −3 dB width given; its own ringing is a Gaussian
        too, which falls faster than any resonance in the end.
        """
        sigma_hz = bandwidth_hz / (2.0 * math.sqrt(math.log(2.0)))
        reach = min(int(4.0 * sigma_hz / self._bin_hz) + 1, _POINTS // 2 - 1)
        centre = round(frequency_hz / self._bin_hz)
        bins = np.arange(centre - reach, centre + reach + 1)
        inside = (bins >= 1) & (bins < len(self._spectrum))
        weight = np.exp(-0.5 * ((bins * self._bin_hz - frequency_hz) / sigma_hz) ** 2)
        band = np.zeros(_POINTS, dtype=np.complex128)
        band[(bins - centre)[inside] % _POINTS] = self._spectrum[bins[inside]] * weight[inside]
        level = np.abs(np.fft.ifft(band))
        time_s = np.arange(_POINTS) * (self.length / self.rate_hz / _POINTS)
        kept = time_s < self.span_s
        level_db = np.asarray(ratio_to_db(level / np.max(level) if np.max(level) > 0 else level))
        return np.asarray(time_s[kept], dtype=float), level_db[kept]


def filter_ringing_s(bandwidth_hz: float) -> float:
    """Time in which the Gaussian band-pass itself falls by RING_DB from its middle.

    A −3 dB width B has σ_f = B/(2√ln 2) and σ_t = 1/(2πσ_f); exp(−t²/2σ_t²) falls by 20 dB at
    t = σ_t·√(2·ln 10).
    """
    sigma_s = math.sqrt(math.log(2.0)) / (math.pi * bandwidth_hz)
    return sigma_s * math.sqrt(2.0 * math.log(10.0 ** (RING_DB / 20.0)))


@dataclass(frozen=True)
class FoundDecay:
    """What an impulse response says of a resonance.

    Attributes
    ----------
    state, … free_s : as in `distsweep.results.Decay`.
    reason : the finding with its values.
    """

    state: str
    reason: Reason
    rate_db_per_s: float | None = None
    q: float | None = None
    ring_time_s: float | None = None
    neighbours_s: float | None = None
    free_s: float | None = None


def decay_at(
    ringing: Ringing, frequency_hz: float, q: float, *, free_s: float | None, position: str
) -> FoundDecay:
    """Compare the ringing at a resonance with that beside it, and get Q from its slope.

    Parameters
    ----------
    ringing : of the take to look at.
    frequency_hz, q : of the resonance, as its peaks have it; Q sets the band-pass.
    free_s : time until the first strong reflection; None where there is none.
    position : of that take.
    """
    end_s = ringing.span_s if free_s is None else min(free_s, ringing.span_s)
    bandwidth_hz = max(frequency_hz / 8.0, 2.0 * frequency_hz / q)
    own_s = filter_ringing_s(bandwidth_hz)
    needed_s = own_s + LEAST_FALL_DB * q / (DECAY_DB_PER_PERIOD_OVER_Q * frequency_hz)
    if end_s < needed_s:
        reason = Reason("room_hides_decay", position=position, free_s=end_s, needed_s=needed_s)
        return FoundDecay("hidden", reason, free_s=end_s)
    rate, fall_db, ring_s = _slope(*ringing.envelope_db(frequency_hz, bandwidth_hz), end_s, own_s)
    step = max(0.4, 3.0 / q)
    beside = [
        _slope(*ringing.envelope_db(f, bandwidth_hz), end_s, own_s)[2]
        for f in (frequency_hz * 2.0**-step, frequency_hz * 2.0**step)
        if f < 0.45 * ringing.rate_hz
    ]
    neighbours_s = float(np.median(beside))
    times = {"ring_time_s": ring_s, "neighbours_s": neighbours_s}
    if rate is None or fall_db < LEAST_FALL_DB:
        reason = Reason("noise_hides_decay", position=position, fall_db=fall_db)
        return FoundDecay("hidden", reason, free_s=end_s, **times)
    if ring_s < LONGER_THAN_NEIGHBOURS * neighbours_s:
        reason = Reason("rings_no_longer", position=position, **times)
        return FoundDecay("no_longer", reason, rate, free_s=end_s, **times)
    decay_q = DECAY_DB_PER_PERIOD_OVER_Q * frequency_hz / rate
    reason = Reason("rings_longer", position=position, **times, rate_db_per_s=rate, q=decay_q)
    return FoundDecay("rings", reason, rate, decay_q, free_s=end_s, **times)


def _slope(
    time_s: FloatArray, level_db: FloatArray, end_s: float, own_s: float
) -> tuple[float | None, float, float]:
    """Fit a straight line: rate in dB/s (None if there is none), fall seen, time to −20 dB.

    The line starts once the band-pass has had its time after the maximum, and ends at
    FIT_TO_DB, above the noise, or at ``end_s``. The noise is taken from the last quarter.
    """
    noise_db = float(np.median(level_db[3 * len(level_db) // 4 :]))
    peak = int(np.argmax(level_db[time_s < min(end_s, 0.1)]))
    lowest = max(FIT_TO_DB, noise_db + ABOVE_NOISE_DB)
    low = np.flatnonzero((level_db <= lowest) & (np.arange(len(level_db)) > peak))
    last = min(int(low[0]) if len(low) else len(level_db), int(np.sum(time_s < end_s)))
    start = peak + int(np.argmax(level_db[peak:] < FIT_FROM_DB))
    start = max(start, int(np.searchsorted(time_s, time_s[peak] + 0.5 * own_s)))
    below = np.flatnonzero((level_db <= -RING_DB) & (np.arange(len(level_db)) > peak))
    reached_s = float(time_s[below[0]] - time_s[peak]) if len(below) else float(time_s[-1])
    if last - start < 4:
        return None, 0.0, reached_s
    slope, _ = np.polyfit(time_s[start:last], level_db[start:last], 1)
    fall_db = float(level_db[start] - level_db[last - 1])
    if slope >= 0.0:
        return None, fall_db, reached_s
    return -float(slope), fall_db, reached_s


def decay_map(ringing: Ringing, *, drive_dbfs: float, reflection_s: float | None) -> DecayMap:
    """Envelopes behind sixth-octave band-passes, twelve an octave, over the first 0.1 s."""
    high_hz = min(MAP_BAND_HZ[1], 0.4 * ringing.rate_hz)
    octaves = math.log2(high_hz / MAP_BAND_HZ[0])
    frequency_hz = MAP_BAND_HZ[0] * 2.0 ** (
        np.arange(int(octaves * MAP_POINTS_PER_OCTAVE) + 1) / MAP_POINTS_PER_OCTAVE
    )
    times_s = np.linspace(0.0, min(MAP_LONGEST_S, ringing.span_s), MAP_TIMES)
    widths_hz = frequency_hz * (
        2.0 ** (MAP_BANDWIDTH_OCTAVES / 2) - 2.0 ** (-MAP_BANDWIDTH_OCTAVES / 2)
    )
    rows = []
    for one_hz, width_hz in zip(frequency_hz, widths_hz, strict=True):
        time_s, level_db = ringing.envelope_db(float(one_hz), float(width_hz))
        row = np.interp(times_s, time_s, np.maximum(level_db, 2.0 * MAP_FLOOR_DB))
        rows.append(np.maximum(row, MAP_FLOOR_DB))
    return DecayMap(
        frequency_hz=frequency_hz,
        time_s=times_s,
        level_db=rows,
        bandwidth_octaves=MAP_BANDWIDTH_OCTAVES,
        ringing_s=np.array([filter_ringing_s(float(w)) for w in widths_hz]),
        drive_dbfs=drive_dbfs,
        floor_db=MAP_FLOOR_DB,
        reflection_s=reflection_s,
    )
