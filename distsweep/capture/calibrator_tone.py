"""The tone of an acoustic calibrator, found in a recording and judged."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from distsweep.errors import InputError
from distsweep.takes.recording import find_clipping
from distsweep.units import FloatArray, power_to_db
from distsweep.words.wording import signed

PRINCIPAL_HZ = (160.0, 1250.0)
"""Range of a calibrator's principal frequency (IEC 60942:2003, 5.3)."""

FREQUENCY_TOLERANCE = 0.02
"""Largest departure from the stated frequency: ±2 %, class 2 of IEC 60942:2003, 5.3, table 3."""

STEADINESS_DB = 0.2
"""Largest departure of the short-term level from its mean. Class 2 of IEC 60942:2003 allows
±0.2 dB (from memory): a tone that wavers more is a loose coupler, or no calibrator."""

LARGEST_DISTORTION_PERCENT = 4.0
"""Largest total distortion that class 2 of IEC 60942:2003 allows (from memory)."""

LEAST_SNR_DB = 30.0
"""Least level of the tone above all that is neither it nor a harmonic (chosen: noise 30 dB below
makes the level waver by 0.2 dB over a tenth of a second at the very worst)."""

SHORT_TERM_S = 0.1
"""Length over which a short-term level is taken (chosen: 16 periods at least)."""

JUDGED_S = 2.0
"""Length of the steadiest stretch, which is judged (chosen: fumbling at both ends does no harm)."""

TONE_LIKE_DB = 0.1
"""Largest spread of a tone's short-term levels; those of white noise spread by 0.3 dB over
2 s, and fumbling by far more (chosen between them)."""


@dataclass(frozen=True)
class CalibratorTone:
    """What was found of a calibrator's tone.

    Attributes
    ----------
    level_dbfs : RMS re that of a full-scale sine.
    frequency_hz, steadiness_db, distortion_percent, snr_db : what it was judged by.
    """

    level_dbfs: float
    frequency_hz: float
    steadiness_db: float
    distortion_percent: float
    snr_db: float


def measure_tone(samples: FloatArray, *, rate_hz: float, frequency_hz: float) -> CalibratorTone:
    """Find a calibrator's tone in a recording and judge it.

    Parameters
    ----------
    samples : shape ``(samples,)``, full scale 1.
    frequency_hz : what the calibrator states.

    Raises
    ------
    InputError
        This is not the tone of a calibrator in good order; the message says in what.
    """
    if not PRINCIPAL_HZ[0] <= frequency_hz <= PRINCIPAL_HZ[1]:
        raise InputError(
            f"frequency is {frequency_hz:g} Hz: calibrators sound between {PRINCIPAL_HZ[0]:g}"
            f" and {PRINCIPAL_HZ[1]:g} Hz (IEC 60942)"
        )
    stretch = _steadiest(samples, rate_hz)
    if len(find_clipping(stretch, float(np.max(np.abs(stretch))))):
        raise InputError("the calibrator's tone is clipped: lower the input gain, record it again")
    tone = _describe(stretch, rate_hz)
    _judge(tone, frequency_hz)
    return tone


def _steadiest(samples: FloatArray, rate_hz: float) -> FloatArray:
    """Return the loudest stretch of JUDGED_S that is as steady as a tone, or the steadiest."""
    block = int(SHORT_TERM_S * rate_hz)
    count = round(JUDGED_S / SHORT_TERM_S)
    blocks = len(samples) // block
    if blocks < count:
        raise InputError(
            f"the recording lasts {len(samples) / rate_hz:.1f} s: {JUDGED_S:g} s or more of the"
            " calibrator's tone are needed"
        )
    power = np.mean(samples[: blocks * block].reshape(blocks, block) ** 2, axis=1)
    levels_db = power_to_db(np.maximum(power, 1e-30))
    windows = np.lib.stride_tricks.sliding_window_view(levels_db, count)
    spread_db = np.ptp(windows, axis=1)
    mean_db = windows.mean(axis=1)
    tone_like = spread_db <= TONE_LIKE_DB
    if np.any(tone_like):
        first = int(np.argmax(np.where(tone_like, mean_db, -np.inf)))
    else:
        first = int(np.argmin(spread_db))
    return samples[first * block : (first + count) * block]


def _describe(stretch: FloatArray, rate_hz: float) -> CalibratorTone:
    """Fit tone and harmonics block by block, so that a drift of the tone's phase is no noise."""
    frequency_hz = _strongest_hz(stretch, rate_hz)
    length = int(SHORT_TERM_S * rate_hz)
    blocks = stretch[: len(stretch) // length * length].reshape(-1, length).T
    time_s = np.arange(length) / rate_hz
    highest = max(1, min(10, int(0.45 * rate_hz / max(frequency_hz, 1.0))))
    columns = [np.ones(length)]
    for order in range(1, highest + 1):
        angle = 2.0 * np.pi * order * frequency_hz * time_s
        columns += [np.cos(angle), np.sin(angle)]
    basis = np.stack(columns, axis=1)
    weights = np.linalg.lstsq(basis, blocks, rcond=None)[0]
    powers = np.mean(0.5 * (weights[1::2] ** 2 + weights[2::2] ** 2), axis=1)
    rest = float(np.mean((blocks - basis @ weights) ** 2))
    short_db = power_to_db(np.maximum(np.mean((blocks - weights[0]) ** 2, axis=0), 1e-30))
    power = max(float(powers[0]), 1e-30)
    return CalibratorTone(
        level_dbfs=float(power_to_db(2.0 * power)),
        frequency_hz=frequency_hz,
        steadiness_db=float(np.max(np.abs(short_db - np.mean(short_db)))),
        distortion_percent=100.0 * math.sqrt(float(np.sum(powers[1:])) / power),
        snr_db=float(power_to_db(power / max(rest, 1e-30))),
    )


def _strongest_hz(stretch: FloatArray, rate_hz: float) -> float:
    """Return the strongest line's frequency: a Hann spectrum's peak, then the phase's slope."""
    window = np.hanning(len(stretch))
    spectrum = np.abs(np.fft.rfft(stretch * window))
    lowest = int(50.0 * len(stretch) / rate_hz)  # rumble below 50 Hz is no calibrator
    bin_hz = rate_hz / len(stretch)
    coarse_hz = (lowest + int(np.argmax(spectrum[lowest:]))) * bin_hz
    half = len(stretch) // 2
    short = np.hanning(half)
    turn = np.exp(-2j * np.pi * coarse_hz / rate_hz * np.arange(2 * half))
    first, second = (np.sum(stretch[a : a + half] * turn[a : a + half] * short) for a in (0, half))
    slope = float(np.angle(second * np.conj(first)))
    return float(coarse_hz + slope * rate_hz / (2.0 * np.pi * half))


def _judge(tone: CalibratorTone, frequency_hz: float) -> None:
    if tone.level_dbfs < -80.0:
        raise InputError(
            f"the strongest tone is at {signed(tone.level_dbfs, 0)} dBFS: is the calibrator on the"
            " microphone, and is it the right channel?"
        )
    if abs(tone.frequency_hz / frequency_hz - 1.0) > FREQUENCY_TOLERANCE:
        raise InputError(
            f"the strongest tone is at {tone.frequency_hz:.1f} Hz, the calibrator states"
            f" {frequency_hz:g} Hz (±2 %): is it on, and is --frequency right?"
        )
    if tone.snr_db < LEAST_SNR_DB:
        raise InputError(
            f"the tone stands only {tone.snr_db:.0f} dB above the noise, {LEAST_SNR_DB:g} dB are"
            " needed: seat the microphone in the coupler, or raise the input gain"
        )
    if tone.distortion_percent > LARGEST_DISTORTION_PERCENT:
        raise InputError(
            f"the tone is distorted by {tone.distortion_percent:.1f} %, a calibrator's by"
            f" {LARGEST_DISTORTION_PERCENT:g} % at most: change its battery, if it is one"
        )
    if tone.steadiness_db > STEADINESS_DB:
        raise InputError(
            f"the tone wavers by ±{tone.steadiness_db:.2f} dB, a calibrator's by"
            f" ±{STEADINESS_DB:g} dB at most: hold it still, change its battery"
        )
