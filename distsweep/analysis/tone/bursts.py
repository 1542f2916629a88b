"""A staircase's measurements: steady levels and harmonics of each burst, gain against time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.cut import CutStaircase, CutTone
from distsweep.analysis.noise.background import NoiseSpectrum
from distsweep.analysis.tone.sine_fit import HarmonicFit, fit_harmonics, fit_sine_and_frequency
from distsweep.analysis.tone.track import ToneTrack
from distsweep.units import BoolArray, ComplexArray, FloatArray, db_to_ratio, ratio_to_db

STEADY_SHARE = 0.5
"""A burst's level is taken over its last half: the first is left to the attack."""

LONGEST_STEADY_S = 0.5
"""… but over no more than its last half second, so that a long burst's level is that of its
end."""


@dataclass(frozen=True)
class StaircaseSettings:
    """What the analysis is told besides the signals.

    Attributes
    ----------
    levels_dbfs : the recipe's levels; the tone rests at the first.
    ramp_s : time in which a level changes.
    order : highest harmonic to fit.
    highest_hz : no harmonic above is followed.
    correction_db : the microphone's deviation at frequencies in Hz, subtracted.
    """

    levels_dbfs: tuple[float, ...]
    ramp_s: float
    order: int
    highest_hz: float
    correction_db: Callable[[FloatArray], FloatArray]


@dataclass(frozen=True)
class ToneBursts:
    """The bursts of one frequency, measured; arrays have one row a burst.

    Attributes
    ----------
    frequency_hz : as played.
    drive_dbfs, rising : of each burst, shape ``(K,)``.
    harmonics : amplitudes (full scale 1, corrected for the microphone), ``(K, order)``;
        column 0 is the fundamental; NaN above the highest frequency followed.
    floors : RMS amplitude that the background alone shows there, ``(order,)``; NaN if unknown.
    waveform_crest_db : crest factor of the fitted wave (peak over RMS), 3.01 for a sine, shape
        ``(K,)``.
    residual_rms, residual_peak : of what the harmonics leave, full scale 1, shape ``(K,)``.
    residual_floor : RMS of the background, full scale 1; NaN if unknown.
    clipped : whether the recording was clipped there, shape ``(K,)``.
    usable : False where it was, or where a drop-out was found later, shape ``(K,)``.
    """

    frequency_hz: float
    drive_dbfs: FloatArray
    rising: BoolArray
    harmonics: FloatArray
    floors: FloatArray
    waveform_crest_db: FloatArray
    residual_rms: FloatArray
    residual_peak: FloatArray
    residual_floor: float
    clipped: BoolArray
    usable: BoolArray


def measure_tone(
    tone: CutTone,
    settings: StaircaseSettings,
    *,
    rate_hz: int,
    scale: float,
    noise: NoiseSpectrum | None,
) -> ToneBursts:
    """Fit the steady part of every burst of a tone."""
    count = steady_samples(tone, rate_hz, settings.ramp_s)
    firsts = [int(burst.end) - count for burst in tone.bursts]
    stretches = np.stack([tone.signal[first : first + count] for first in firsts])
    fit = fit_harmonics(
        stretches,
        frequency_hz=tone.recorded_hz,
        rate_hz=rate_hz,
        order=settings.order,
        highest_hz=settings.highest_hz / scale,
    )
    radiated_hz = tone.frequency_hz * np.arange(1.0, settings.order + 1.0)
    held = radiated_hz <= settings.highest_hz * (1.0 + 1e-9)
    scaling = np.where(held, db_to_ratio(-settings.correction_db(radiated_hz)), np.nan)
    floors, residual_floor = _floors(noise, radiated_hz / scale, bandwidth_hz=rate_hz / count)
    clipped = [
        np.searchsorted(tone.clipped_samples, first + count)
        > np.searchsorted(tone.clipped_samples, first)
        for first in firsts
    ]
    return ToneBursts(
        frequency_hz=tone.frequency_hz,
        drive_dbfs=np.array([burst.drive_dbfs for burst in tone.bursts]),
        rising=np.array([burst.direction == "up" for burst in tone.bursts]),
        harmonics=np.abs(fit.harmonics) * scaling,
        floors=floors * scaling,
        waveform_crest_db=_crest_db(fit),
        residual_rms=fit.residual_rms,
        residual_peak=fit.residual_peak,
        residual_floor=residual_floor,
        clipped=np.array(clipped),
        usable=~np.array(clipped),
    )


def _floors(
    noise: NoiseSpectrum | None, radiated_hz: FloatArray, *, bandwidth_hz: float
) -> tuple[FloatArray, float]:
    """Return the background's RMS amplitude at each harmonic, and its RMS over all; or NaN.

    A fit over the time T takes in the bandwidth 1/T: for a density S, |error|² is 2·S/T.
    """
    if noise is None:
        return np.full(len(radiated_hz), np.nan), float("nan")
    seen_hz = np.full(len(radiated_hz), max(bandwidth_hz, noise.bin_hz))
    density = noise.mean_around(radiated_hz, seen_hz)
    whole = float(np.sqrt(np.sum(noise.density) * noise.bin_hz))
    return np.sqrt(2.0 * density * bandwidth_hz), whole


def steady_samples(tone: CutTone, rate_hz: int, ramp_s: float) -> int:
    """Return how many samples at each burst's end are fitted: whole periods, as nearly."""
    shortest = min(burst.end - burst.start for burst in tone.bursts)
    wanted = min(STEADY_SHARE * shortest, LONGEST_STEADY_S * rate_hz, shortest - ramp_s * rate_hz)
    period = rate_hz / tone.recorded_hz
    return round(max(1, int(wanted / period)) * period)


def _crest_db(fit: HarmonicFit) -> FloatArray:
    """Return peak over RMS of one period of the fitted waves, in dB."""
    points = 512
    angle = 2.0 * np.pi * np.arange(points) / points
    turns = np.exp(1j * np.outer(np.arange(1, fit.harmonics.shape[1] + 1), angle))
    waves = (fit.harmonics @ turns).real
    rms = np.sqrt(np.mean(waves**2, axis=1))
    return np.asarray(ratio_to_db(np.max(np.abs(waves), axis=1) / np.maximum(rms, 1e-30)))


def clock_scale(cut: CutStaircase) -> float:
    """Return recorded over played length from the tones' own frequencies.

    For a recording that holds one marker only. Every tone's loudest burst is fitted with its
    frequency free; the median serves.
    """
    scales = []
    for tone in cut.tones:
        loudest = max(tone.bursts, key=lambda burst: burst.drive_dbfs)
        length = loudest.end - loudest.start
        first, last = int(loudest.start + 0.4 * length), int(loudest.start + 0.9 * length)
        fit = fit_sine_and_frequency(
            tone.signal[first:last], near_hz=tone.recorded_hz, rate_hz=cut.rate_hz
        )
        scales.append(tone.frequency_hz / fit.frequency_hz)
    return float(np.median(scales))


@dataclass(frozen=True)
class Stretch:
    """A time in which the drive stood still: places in samples of the tone's signal.

    ``drive_dbfs`` as played; ``burst`` is the index of the burst, None for a rest.
    """

    start: float
    end: float
    drive_dbfs: float
    burst: int | None


def stretches(tone: CutTone, lowest_dbfs: float) -> list[Stretch]:
    """Return bursts and the rests between them in order of time."""
    found: list[Stretch] = []
    for index, burst in enumerate(tone.bursts):
        if found and burst.start - found[-1].end > 1.0:
            found.append(Stretch(found[-1].end, burst.start, lowest_dbfs, None))
        found.append(Stretch(burst.start, burst.end, burst.drive_dbfs, index))
    return found


def track_of(tone: CutTone, rate_hz: int) -> ToneTrack:
    """Demodulate a tone's whole signal."""
    return ToneTrack(tone.signal, frequency_hz=tone.recorded_hz, rate_hz=rate_hz)


def level_db(amplitude: ComplexArray) -> FloatArray:
    """Return the level of complex amplitudes, dB re full scale."""
    return np.asarray(ratio_to_db(np.abs(amplitude)))
