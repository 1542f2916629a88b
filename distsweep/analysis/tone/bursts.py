"""A staircase's measurements: steady levels and harmonics of each burst, gain against time."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.cut import CutStaircase, CutTone
from distsweep.analysis.noise.background import NoiseSpectrum
from distsweep.analysis.settings import TakeSettings
from distsweep.analysis.tone.sine_fit import HarmonicFit, fit_harmonics, fit_sine_and_frequency
from distsweep.analysis.tone.track import ToneTrack
from distsweep.units import BoolArray, FloatArray, db_to_ratio, ratio_to_db

STEADY_SHARE, LONGEST_STEADY_S = 0.5, 0.5
"""A burst's level is taken over its last half, and over no more than its last half second (chosen:
the first half is left to the attack, and a long burst's level is that of its end)."""

FREQUENCY_FROM, FREQUENCY_UNTIL = 0.4, 0.9
"""Part of a burst that its frequency is fitted to (chosen: past the attack, and clear of the end
where the bursts' places are not exactly known)."""

CREST_POINTS = 512
"""Points of a period from which the crest factor is taken (chosen: fifty in a period of the tenth
harmonic)."""

SILENT_BELOW_DB = 20.0
"""A burst whose gain is so far below that of half the others was not played (chosen: more than a
limiter takes from one step to the next, less than a muted recording shows)."""

UNSTEADY_DB, UNSTEADY_OVER_NOISE = -15.0, 10.0
"""A burst of which so much is left beside its harmonics, re the fundamental, and so many times
the background, broke off or jumped (chosen: a loudspeaker that rattles so loudly is broken)."""


@dataclass(frozen=True, eq=False)
class ToneBursts:
    """The bursts of one frequency, measured; arrays have one row a burst.

    Attributes
    ----------
    cut : the recording.
    track : the tone's amplitude against time.
    drive_dbfs, rising : of each burst, shape ``(K,)``.
    harmonics : amplitudes (full scale 1, corrected for the microphone), ``(K, order)``;
        column 0 is the fundamental; NaN above the highest frequency followed.
    floors : RMS amplitude that the background alone shows there, ``(order,)``; NaN if unknown.
    degrees : degrees of freedom of the floors.
    waveform_crest_db : crest factor of the fitted wave (peak over RMS), 3.01 for a sine, shape
        ``(K,)``.
    residual_rms, residual_peak : of what the harmonics leave, full scale 1, shape ``(K,)``.
    residual_floor : RMS of the background, full scale 1; NaN if unknown.
    clipped : whether the recording was clipped there, shape ``(K,)``.
    usable : False where it was, and where the burst lacks its tone, shape ``(K,)``.
    """

    cut: CutTone
    track: ToneTrack
    drive_dbfs: FloatArray
    rising: BoolArray
    harmonics: FloatArray
    floors: FloatArray
    degrees: float
    waveform_crest_db: FloatArray
    residual_rms: FloatArray
    residual_peak: FloatArray
    residual_floor: float
    clipped: BoolArray
    usable: BoolArray


def measure_bursts(
    cut: CutTone, settings: TakeSettings, *, scale: float, noise: NoiseSpectrum | None
) -> ToneBursts:
    """Fit the steady part of every burst of a tone.

    Parameters
    ----------
    scale : recorded samples per played sample.
    noise : the background, None if not known.
    """
    count = steady_samples(cut)
    firsts = [int(burst.end) - count for burst in cut.bursts]
    highest_hz = settings.band_hz[1]
    fit = fit_harmonics(
        np.stack([cut.signal[first : first + count] for first in firsts]),
        frequency_hz=cut.recorded_hz,
        rate_hz=cut.rate_hz,
        order=settings.order,
        highest_hz=highest_hz / scale,
    )
    radiated_hz = cut.frequency_hz * np.arange(1.0, settings.order + 1.0)
    held = radiated_hz <= highest_hz * (1.0 + 1e-9)
    scaling = np.where(held, db_to_ratio(-settings.correction_db(radiated_hz)), np.nan)
    floors, residual_floor = _floors(noise, radiated_hz / scale, bandwidth_hz=cut.rate_hz / count)
    clipped = np.array([cut.clips_between(first, first + count) for first in firsts])
    return ToneBursts(
        cut=cut,
        track=ToneTrack(cut.signal, frequency_hz=cut.recorded_hz, rate_hz=cut.rate_hz),
        drive_dbfs=np.array([burst.drive_dbfs for burst in cut.bursts]),
        rising=np.array([burst.direction == "up" for burst in cut.bursts]),
        harmonics=np.abs(fit.harmonics) * scaling,
        floors=floors * scaling,
        degrees=_degrees(noise, cut.rate_hz / count),
        waveform_crest_db=_crest_db(fit),
        residual_rms=fit.residual_rms,
        residual_peak=fit.residual_peak,
        residual_floor=residual_floor,
        clipped=clipped,
        usable=~clipped,
    )


def without_broken(tone: ToneBursts) -> tuple[ToneBursts, list[int]]:
    """Take out the bursts that hold hardly anything of their tone, or lose it half-way.

    Returns
    -------
    The tone with NaN in the place of these bursts, and their indices.
    """
    gain = np.asarray(ratio_to_db(tone.harmonics[:, 0])) - tone.drive_dbfs
    silent = gain < np.median(gain) - SILENT_BELOW_DB
    # A limiter that takes 20 dB away takes them from the loudest bursts, not from between.
    louder = np.array([np.any(~silent & (tone.drive_dbfs >= drive)) for drive in tone.drive_dbfs])
    rest_db = ratio_to_db(
        tone.residual_rms * np.sqrt(2.0) / np.maximum(tone.harmonics[:, 0], 1e-30)
    )
    over_noise = tone.residual_rms > UNSTEADY_OVER_NOISE * tone.residual_floor
    lost = (silent & louder) | ((rest_db > UNSTEADY_DB) & over_noise)
    if not np.any(lost):
        return tone, []
    gone = np.where(lost, np.nan, 1.0)
    left = replace(
        tone,
        usable=tone.usable & ~lost,
        harmonics=tone.harmonics * gone[:, None],
        residual_rms=tone.residual_rms * gone,
        residual_peak=tone.residual_peak * gone,
        waveform_crest_db=tone.waveform_crest_db * gone,
    )
    return left, np.flatnonzero(lost).tolist()


def _degrees(noise: NoiseSpectrum | None, bandwidth_hz: float) -> float:
    return np.inf if noise is None else float(noise.degrees_around(np.array([bandwidth_hz]))[0])


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


def steady_samples(tone: CutTone) -> int:
    """Return how many samples at each burst's end are fitted: whole periods, as nearly."""
    shortest = min(burst.end - burst.start for burst in tone.bursts)
    settled = shortest - tone.ramp_s * tone.rate_hz
    wanted = min(STEADY_SHARE * shortest, LONGEST_STEADY_S * tone.rate_hz, settled)
    period = tone.rate_hz / tone.recorded_hz
    return round(max(1, int(wanted / period)) * period)


def _crest_db(fit: HarmonicFit) -> FloatArray:
    """Return peak over RMS of one period of the fitted waves, in dB."""
    angle = 2.0 * np.pi * np.arange(CREST_POINTS) / CREST_POINTS
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
        first = int(loudest.start + FREQUENCY_FROM * length)
        last = int(loudest.start + FREQUENCY_UNTIL * length)
        fit = fit_sine_and_frequency(
            tone.signal[first:last], near_hz=tone.recorded_hz, rate_hz=tone.rate_hz
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


def stretches(tone: CutTone) -> list[Stretch]:
    """Return bursts and the rests between them in order of time."""
    found: list[Stretch] = []
    for index, burst in enumerate(tone.bursts):
        if found and burst.start - found[-1].end > 1.0:
            found.append(Stretch(found[-1].end, burst.start, tone.rests_at_dbfs, None))
        found.append(Stretch(burst.start, burst.end, burst.drive_dbfs, index))
    return found
