"""Whether what was recorded where a tone should sound is that tone, and sounds when it should.

A tone is judged by its loudest bursts, as noise is farthest away there. Three things show:
a spectral line at the tone's own frequency; no other line that is louder, rises and falls with
the bursts and is no harmonic; and a level that rises and falls where the bursts start and end.
How loud a burst is proves nothing: gain, response and limiters are not known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import scipy.fft

from distsweep.analysis.background import NoiseSpectrum
from distsweep.analysis.sine_fit import fit_sine_and_frequency
from distsweep.analysis.staircase import steady_samples
from distsweep.analysis.tone_track import ToneTrack
from distsweep.units import FloatArray, db_to_power

if TYPE_CHECKING:
    from distsweep.takes.cutting_staircase import CutBurst, CutTone

JUDGED_BURSTS = 5
"""So many of the loudest bursts are looked at (chosen: a noise spoils one or two)."""

LINE_OVER_NEIGHBOURS = 16.0
"""Power of a line over what the bins beside it hold on average, from which a tone is there
(chosen: 12 dB; noise alone exceeds 6 dB less than once in 10⁴ bursts)."""

LINE_BINS = 2
"""A Hann-windowed line lies within so many bins of its own."""

ABOVE_BACKGROUND, CLEARLY_ABOVE = 4.0, 10.0
"""Power over the background's from which another tone sounds, and from which something does."""

ALIEN_SHARE, ALIEN_OVER_TONE = 0.5, 4.0
"""Another line is the one that was played if it holds this share of all power, and so many times
the power of the tone with its harmonics (chosen: subharmonics of loudspeakers stay 10 dB or more
below the tone)."""

ALIEN_HARMONIC, LOST_TONE = 4, 1e-4
"""A lone harmonic of this order or a higher one, without its fundamental, was played; so was a
lower one if the fundamental's power re its own lies below the second, 40 dB (a small loudspeaker
may give little but the second or third of a tone far below its band)."""

ALIEN_STEP = 0.5
"""A line that was played rises from rest to burst by this share of the drive's step in dB, or by
6 dB; hum does not."""

LEAST_CONTRAST_DB = 5.0
"""A burst so far above the level between bursts has edges that can be looked for."""

TRACK_S, TRACK_PERIODS = 0.012, 3
"""Least length of the windows in which the level is followed."""

RISES_AT, FALLS_AT = 0.6, 0.75
"""A burst starts where its amplitude passes the first, and ends where it passes the second, re
that of its later half, or half-way to the rest where that is higher (chosen: a reverberation of
1 s falls to 0.75 within 40 ms)."""

NO_REST, SURE_CONTRAST_DB = 0.7, 20.0
"""Where the drive falls by the second and no moment of the rest is softer than the first, re the
burst, there is no rest: another stimulus sounds (chosen: a reverberation of 2 s falls to 0.36 in
0.3 s; a limiter recovers, but not at once)."""

EARLY_S, LATE_S = 0.010, 0.060
"""How much too early or too late an edge may be, besides half the track's window (chosen: rooms
delay what ends, nothing makes it end early)."""

REVERBERANT_S, UNCHANGED = 0.150, 0.1
"""So late a burst may start or end where its complex amplitude changes by the second at its time
(chosen: in a reverberation of 0.8 s, 3 dB louder than the direct sound, levels follow by 110 ms)."""


@dataclass(frozen=True)
class ToneEvidence:
    """What the bursts of one tone show.

    Attributes
    ----------
    frequency_hz : of the tone that should sound, as played.
    state : "there"; "another", another tone sounds in its place; "unexplained", something else
        does; "nothing" stands out of the background.
    heard_hz : the other tone's frequency in the recorder's clock, if there is one.
    edges_fit : whether the bursts start and end when they should; None where it cannot be told.
    speed : the tone's frequency where it should be, over that found; NaN where it is not there.
    weight : how exactly ``speed`` is known: frequency times the root of the line over noise.
    """

    frequency_hz: float
    state: str
    heard_hz: float | None = None
    edges_fit: bool | None = None
    speed: float = float("nan")
    weight: float = 0.0


def examine_tone(
    tone: CutTone,
    *,
    rate_hz: int,
    ramp_s: float,
    lowest_dbfs: float,
    order: int,
    noise: NoiseSpectrum | None,
) -> ToneEvidence:
    """Tell what stands in a tone's place.

    Parameters
    ----------
    tone : the recording where the tone should be; it has one burst at least.
    ramp_s : time in which a level changes.
    lowest_dbfs : the level between bursts.
    order : highest harmonic that is taken for the tone's own.
    noise : the background, None if not known.
    """
    judged = sorted(tone.bursts, key=lambda burst: -burst.drive_dbfs)[:JUDGED_BURSTS]
    loudest_dbfs = judged[0].drive_dbfs
    # What is far quieter than the loudest tells nothing that the loudest does not.
    judged = [burst for burst in judged if burst.drive_dbfs >= loudest_dbfs - 12.0]
    count = steady_samples(tone, rate_hz, ramp_s)
    lines = _Lines(tone, judged, count, rate_hz)
    background = _background(noise, lines)
    in_place = lines.line(lines.own)
    is_there = lines.peaks(lines.own) and (
        in_place > LINE_OVER_NEIGHBOURS * lines.beside(lines.own)
    )
    heard_hz = _another(
        tone, lines, order, background, is_there=is_there, lowest_dbfs=lowest_dbfs, rate_hz=rate_hz
    )
    if heard_hz is not None:
        return ToneEvidence(tone.frequency_hz, "another", heard_hz)
    if not is_there:
        loud = lines.total > CLEARLY_ABOVE * background
        return ToneEvidence(tone.frequency_hz, "unexplained" if loud else "nothing")
    found_hz = fit_sine_and_frequency(
        lines.stretches[0], near_hz=tone.recorded_hz, rate_hz=rate_hz
    ).frequency_hz
    return ToneEvidence(
        tone.frequency_hz,
        "there",
        edges_fit=_edges_fit(tone, judged, lowest_dbfs, rate_hz),
        speed=tone.recorded_hz / found_hz,
        weight=tone.frequency_hz * float(np.sqrt(in_place / lines.beside(lines.own))),
    )


class _Lines:
    """The mean power spectrum of the steady parts of bursts; ``own`` is the tone's bin."""

    def __init__(
        self, tone: CutTone, bursts: Sequence[CutBurst], count: int, rate_hz: float
    ) -> None:
        self.stretches = np.stack(
            [tone.signal[int(burst.end) - count : int(burst.end)] for burst in bursts]
        )
        self.bin_hz = rate_hz / count
        self.power = _power(self.stretches)
        self.own = round(tone.recorded_hz / self.bin_hz)

    @property
    def total(self) -> float:
        """Power of everything but what is slower than half the tone, and than 20 Hz."""
        return float(np.sum(self.power[self.lowest :]))

    @property
    def lowest(self) -> int:
        """The lowest bin that counts: below is rumble."""
        return max(1, min(self.own // 2, round(20.0 / self.bin_hz)))

    def line(self, centre: int) -> float:
        """Return the power of a line whose bin is ``centre``."""
        return float(np.sum(self.power[max(0, centre - LINE_BINS) : centre + LINE_BINS + 1]))

    def peaks(self, centre: int) -> bool:
        """Tell whether a line is highest in its own bin or the next, not beyond."""
        first = max(0, centre - LINE_BINS - 1)
        highest = first + int(np.argmax(self.power[first : centre + LINE_BINS + 2]))
        return abs(highest - centre) <= 1

    def beside(self, centre: int) -> float:
        """Return the power that a line's bins would hold if they held what lies beside."""
        reach = max(12, int(0.35 * centre))
        around = np.arange(max(1, centre - reach), min(len(self.power), centre + reach + 1))
        around = around[np.abs(around - centre) > LINE_BINS + 1]
        usual = float(np.median(self.power[around])) if len(around) else 0.0
        return max((2 * LINE_BINS + 1) * usual, 1e-30)


def _power(stretches: FloatArray) -> FloatArray:
    """Return the mean power spectrum of stretches of equal length; it sums to their power."""
    count = stretches.shape[1]
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(count) / count)
    spectra = scipy.fft.rfft(stretches * window, axis=1)
    scaling = 2.0 / (count * np.sum(window**2))
    return np.asarray(np.mean(spectra.real**2 + spectra.imag**2, axis=0) * scaling)


def _background(noise: NoiseSpectrum | None, lines: _Lines) -> float:
    """Return the background's power over the bins that count; 0 if unknown."""
    if noise is None:
        return 0.0
    first = round(lines.lowest * lines.bin_hz / noise.bin_hz)
    return float(np.sum(noise.density[first:]) * noise.bin_hz)


def _another(
    tone: CutTone,
    lines: _Lines,
    order: int,
    background: float,
    *,
    is_there: bool,
    lowest_dbfs: float,
    rate_hz: float,
) -> float | None:
    """Return the frequency of a tone that was played in place of this one, or None."""
    last = len(lines.power) - LINE_BINS
    harmonics = [n * lines.own for n in range(1, order + 1) if n * lines.own < last]
    own = sum(lines.line(centre) for centre in harmonics)
    others = lines.power.copy()
    others[: lines.lowest] = 0.0
    spared = harmonics
    if not is_there:
        spared = [
            centre
            for centre in harmonics[: ALIEN_HARMONIC - 1]
            if centre == lines.own or lines.beside(lines.own) > LOST_TONE * lines.line(centre)
        ]
    for centre in spared:
        others[max(0, centre - LINE_BINS - 1) : centre + LINE_BINS + 2] = 0.0
    if not is_there:
        own = sum(lines.line(centre) for centre in spared)
    centre = int(np.argmax(others))
    power = lines.line(centre)
    if power < max(ALIEN_SHARE * lines.total, ALIEN_OVER_TONE * own, ABOVE_BACKGROUND * background):
        return None
    heard_hz = centre * lines.bin_hz
    loudest = max(tone.bursts, key=lambda burst: burst.drive_dbfs)
    rest = _rest_after(tone, loudest)
    step_db = min(6.0, ALIEN_STEP * (loudest.drive_dbfs - lowest_dbfs))
    if rest is not None and step_db > 0.0:
        track = ToneTrack(tone.signal, frequency_hz=heard_hz, rate_hz=rate_hz)
        width = track.width(TRACK_S * rate_hz)
        inside = _amplitudes(track, 0.5 * (loudest.start + loudest.end), loudest.end, width)
        after = _amplitudes(track, 0.5 * sum(rest), rest[1], width)
        if np.mean(inside**2) < db_to_power(step_db) * np.mean(after**2):
            return None
    return heard_hz


def _rest_after(tone: CutTone, burst: CutBurst) -> tuple[float, float] | None:
    """Return where the rest after a burst starts and ends; None where none was recorded."""
    later = [other.start for other in tone.bursts if other.start > burst.start]
    if not later or min(later) - burst.end < 2.0:
        return None
    return burst.end, min(later)


def _rest_before(tone: CutTone, burst: CutBurst) -> tuple[float, float] | None:
    earlier = [other.end for other in tone.bursts if other.start < burst.start]
    if not earlier or burst.start - max(earlier) < 2.0:
        return None
    return max(earlier), burst.start


def _amplitudes(track: ToneTrack, first: float, last: float, width: float) -> FloatArray:
    """Return the amplitude in windows whose centres lie from ``first`` to ``last``."""
    centres = np.arange(first, last, max(1.0, width / 8.0))
    found = np.abs(track.amplitude(centres, width))
    return np.asarray(found[np.isfinite(found)])


def _edges_fit(
    tone: CutTone, judged: Sequence[CutBurst], lowest_dbfs: float, rate_hz: float
) -> bool | None:
    """Tell whether half of the bursts or more start and end when they should."""
    late_s: tuple[list[float], list[float]] = ([], [])
    for burst in judged:
        contrast_db = burst.drive_dbfs - lowest_dbfs
        if contrast_db >= LEAST_CONTRAST_DB:
            for found, late in zip(late_s, _late_s(tone, burst, contrast_db, rate_hz), strict=True):
                if late is not None:
                    found.append(late)
    fitting = [[-EARLY_S <= late <= LATE_S for late in found] for found in late_s if found]
    return all(2 * sum(fits) >= len(fits) for fits in fitting) if fitting else None


def _late_s(
    tone: CutTone, burst: CutBurst, contrast_db: float, rate_hz: float
) -> tuple[float | None, float | None]:
    """Return by how much a burst's start and end are late; None where that is not clear.

    What half the track's window may do to it is taken off.
    """
    before, after = _rest_before(tone, burst), _rest_after(tone, burst)
    first = int(burst.start if before is None else before[0])
    last = int(burst.end if after is None else after[1])
    track = ToneTrack(tone.signal[first:last], frequency_hz=tone.recorded_hz, rate_hz=rate_hz)
    width = track.width(max(TRACK_S * rate_hz, TRACK_PERIODS * track.period))
    start, end = burst.start - first, burst.end - first
    middle = 0.5 * (start + end)
    steady = _amplitudes(track, middle, end - 0.5 * width, width)
    if not len(steady):
        return None, None
    reference = float(np.median(steady))
    late: list[float | None] = []
    for rest, edge, threshold in ((before, start, RISES_AT), (after, end, FALLS_AT)):
        if rest is None:
            late.append(None)
            continue
        resting = _amplitudes(track, rest[0] - first, rest[1] - first, width)
        softest = float(np.min(resting / reference, initial=np.inf))
        far = 0.5 * (rest[0] + rest[1]) - first
        level = max(threshold, 0.5 * (1.0 + softest)) * reference
        place = _edge(track, middle, far, level, width)
        by = max(0.0, abs(place - edge) - 0.5 * width) / rate_hz
        goes_on = _goes_on(track, edge, width, outward=1.0 if rest is after else -1.0)
        if softest > NO_REST or abs(place - far) <= width / 8.0:
            # No step before the rest's middle: one of few decibels drowns in reverberation.
            sure = goes_on or contrast_db >= SURE_CONTRAST_DB
            late.append(np.inf if sure else None)
        elif LATE_S < by <= REVERBERANT_S and place > edge and not goes_on:
            late.append(LATE_S)
        else:
            late.append(by if place > edge else -by)
    return late[0], late[1]


def _goes_on(track: ToneTrack, edge: float, width: float, *, outward: float) -> bool:
    """Tell whether a tone is the same, in amplitude and phase, on both sides of an edge.

    In a room that reverberates, the direct sound is missing after the end. ``outward`` is 1 at
    a burst's end, −1 at its start.
    """
    inside = track.amplitude(np.array([edge - 0.5 * outward * width]), width)[0]
    outside = track.amplitude(edge + outward * width * np.array([0.75, 1.25, 1.75]), width)
    return bool(np.all(np.abs(outside - inside) <= UNCHANGED * np.abs(inside)))


def _edge(track: ToneTrack, middle: float, far: float, threshold: float, width: float) -> float:
    """Return where, on the way from a burst's middle to that of a rest, the level falls.

    It is where the sum of (amplitude − threshold) from the middle on is largest: a single dip
    or peak does not move it.
    """
    step = max(1.0, width / 16.0)
    centres = np.arange(middle, far, step if far > middle else -step)
    above = np.abs(track.amplitude(centres, width)) - threshold
    return float(centres[int(np.argmax(np.nancumsum(above)))])
