"""Whether what was recorded where a tone should sound is that tone, and sounds when it should.

A tone is judged by its loudest bursts, as noise is farthest away there. Three things show:
a spectral line at the tone's own frequency; no other line that is louder, rises and falls with
the bursts and is no harmonic; and a level that rises and falls where the bursts start and end.
How loud a burst is proves nothing: gain, response and limiters are not known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.cut import CutBurst, CutTone
from distsweep.analysis.noise.background import NoiseSpectrum
from distsweep.analysis.noise.certainty import CLEAR_DB, SEEN_DB
from distsweep.analysis.tone.burst_edges import TRACK_S, amplitudes, edges_fit, rest_after
from distsweep.analysis.tone.bursts import steady_samples
from distsweep.analysis.tone.sine_fit import fit_sine_and_frequency
from distsweep.analysis.tone.track import ToneTrack
from distsweep.units import FloatArray, db_to_power

JUDGED_BURSTS, QUIETER_BY_DB = 5, 12.0
"""So many of the loudest bursts are looked at, none so much quieter than the loudest (chosen: a
noise spoils one or two; what is far quieter tells nothing that the loudest does not)."""

MUTED = 0.45
"""A burst whose amplitude falls below this, re that of the softest, was muted (chosen: 7 dB; a
stimulus never does so, as the softest level sounds between bursts, nor does a limiter)."""

LINE_BINS = 2
"""A Hann-windowed line lies within so many bins of its own (by its formula the window's main
lobe is four bins wide)."""

ALIEN_SHARE, ALIEN_OVER_TONE = 0.5, 4.0
"""Another line is the one that was played if it holds this share of all power, and so many times
the power of the tone with its harmonics (chosen: subharmonics of loudspeakers stay 10 dB or more
below the tone)."""

EXACT = 1e-3
"""Two frequencies are the same within this share (chosen: clocks keep 2e-4; twice a tone
differs by 8e-3 from the next octave of the preferred numbers)."""

ALIEN_STEP, ALIEN_STEP_DB = 0.5, 6.0
"""A line that was played rises from rest to burst by this share of the drive's step in dB, or by so
much; hum does not (chosen: the other half is left to a limiter)."""

BESIDE_BINS, BESIDE_SHARE = 12, 0.35
"""A line is compared with the bins on either side up to so many, or this share of its own frequency
(chosen: about half an octave, and of the lowest tones enough bins for a median)."""


@dataclass(frozen=True)
class ToneEvidence:
    """What the bursts of one tone show.

    Attributes
    ----------
    frequency_hz : of the tone that should sound, as played.
    state : "there"; "harmonic", one of its harmonics sounds without it; "another", another tone
        sounds in its place; "unexplained", something else does; "nothing" stands out of the
        background.
    heard_hz : the other tone's or the harmonic's frequency in the recorder's clock.
    edges_fit : whether the bursts start and end when they should; None where that is not clear.
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
    order: int,
    stimulus_hz: Sequence[float],
    noise: NoiseSpectrum | None,
) -> ToneEvidence:
    """Tell what stands in a tone's place.

    Parameters
    ----------
    tone : the recording where the tone should be; it has one burst at least.
    order : highest harmonic that is taken for the tone's own.
    stimulus_hz : all tones of the stimulus: what sounds at one of them is no harmonic.
    noise : the background, None if not known.
    """
    judged = _sounding(tone)[:JUDGED_BURSTS]
    loudest_dbfs = judged[0].drive_dbfs
    judged = [burst for burst in judged if burst.drive_dbfs >= loudest_dbfs - QUIETER_BY_DB]
    lines = _Lines(tone, judged)
    background = _background(noise, lines)
    in_place, beside = lines.line(lines.own), lines.beside(lines.own)
    is_there = lines.peaks(lines.own) and in_place > db_to_power(CLEAR_DB) * beside
    heard_hz = _another(tone, judged[0], lines, order, background, is_there=is_there)
    if heard_hz is not None:
        lone = not is_there and _is_harmonic(tone, heard_hz, order, stimulus_hz)
        return ToneEvidence(tone.frequency_hz, "harmonic" if lone else "another", heard_hz)
    if not is_there:
        loud = lines.total > db_to_power(CLEAR_DB) * background
        return ToneEvidence(tone.frequency_hz, "unexplained" if loud else "nothing")
    found_hz = fit_sine_and_frequency(
        lines.stretches[0], near_hz=tone.recorded_hz, rate_hz=tone.rate_hz
    ).frequency_hz
    return ToneEvidence(
        tone.frequency_hz,
        "there",
        edges_fit=edges_fit(tone, judged),
        speed=tone.recorded_hz / found_hz,
        weight=tone.frequency_hz * float(np.sqrt(in_place / beside)),
    )


def _is_harmonic(tone: CutTone, heard_hz: float, order: int, stimulus_hz: Sequence[float]) -> bool:
    """Tell whether what is heard is a harmonic of the tone, and no other tone of the stimulus."""
    multiple = round(heard_hz / tone.recorded_hz)
    return (
        2 <= multiple <= order
        and _same(heard_hz, multiple * tone.recorded_hz)
        and not any(_same(multiple * tone.frequency_hz, other) for other in stimulus_hz)
    )


def _sounding(tone: CutTone) -> list[CutBurst]:
    """Return the bursts, loudest first, without those in which a protection mutes the tone.

    The level is followed over a third of the steady samples, past the burst's start.
    """
    loudest_first = sorted(tone.bursts, key=lambda burst: -burst.drive_dbfs)
    track = ToneTrack(tone.signal, frequency_hz=tone.recorded_hz, rate_hz=tone.rate_hz)
    width = track.width(steady_samples(tone) / 3.0)
    least = [
        np.min(
            amplitudes(track, burst.start + width, burst.end - 0.5 * width, width), initial=np.inf
        )
        for burst in loudest_first
    ]
    softest = float(np.median(least[-max(1, len(least) // 3) :]))
    return [
        burst
        for burst, amplitude in zip(loudest_first, least, strict=True)
        if amplitude >= MUTED * softest
    ]


def _same(one_hz: float, other_hz: float) -> bool:
    return abs(one_hz - other_hz) <= EXACT * other_hz


class _Lines:
    """The mean power spectrum of the steady parts of bursts; ``own`` is the tone's bin."""

    def __init__(self, tone: CutTone, bursts: Sequence[CutBurst]) -> None:
        count = steady_samples(tone)
        self.stretches = np.stack(
            [tone.signal[int(burst.end) - count : int(burst.end)] for burst in bursts]
        )
        self.bin_hz = tone.rate_hz / count
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
        reach = max(BESIDE_BINS, int(BESIDE_SHARE * centre))
        around = np.arange(max(1, centre - reach), min(len(self.power), centre + reach + 1))
        around = around[np.abs(around - centre) > LINE_BINS + 1]
        usual = float(np.median(self.power[around])) if len(around) else 0.0
        return max((2 * LINE_BINS + 1) * usual, 1e-30)


def _power(stretches: FloatArray) -> FloatArray:
    """Return the mean power spectrum of stretches of equal length; it sums to their power."""
    count = stretches.shape[1]
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(count) / count)
    spectra = np.fft.rfft(stretches * window, axis=1)
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
    loudest: CutBurst,
    lines: _Lines,
    order: int,
    background: float,
    *,
    is_there: bool,
) -> float | None:
    """Return the frequency of a tone that was played in place of this one, or None."""
    last = len(lines.power) - LINE_BINS
    harmonics = [n * lines.own for n in range(1, order + 1) if n * lines.own < last]
    if not is_there:
        harmonics = harmonics[:1]
    own = sum(lines.line(centre) for centre in harmonics)
    others = lines.power.copy()
    others[: lines.lowest] = 0.0
    for centre in harmonics:
        others[max(0, centre - LINE_BINS - 1) : centre + LINE_BINS + 2] = 0.0
    centre = int(np.argmax(others))
    least = max(ALIEN_SHARE * lines.total, ALIEN_OVER_TONE * own)
    if lines.line(centre) < max(least, db_to_power(SEEN_DB) * background):
        return None
    heard_hz = fit_sine_and_frequency(
        lines.stretches[0], near_hz=centre * lines.bin_hz, rate_hz=tone.rate_hz
    ).frequency_hz
    rest = rest_after(tone, loudest)
    step_db = min(ALIEN_STEP_DB, ALIEN_STEP * (loudest.drive_dbfs - tone.rests_at_dbfs))
    if rest is not None and step_db > 0.0:
        track = ToneTrack(tone.signal, frequency_hz=heard_hz, rate_hz=tone.rate_hz)
        width = track.width(TRACK_S * tone.rate_hz)
        inside = amplitudes(track, 0.5 * (loudest.start + loudest.end), loudest.end, width)
        after = amplitudes(track, 0.5 * sum(rest), rest[1], width)
        if np.mean(inside**2) < db_to_power(step_db) * np.mean(after**2):
            return None
    return heard_hz
