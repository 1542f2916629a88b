"""Pascal per full scale, from an acoustic calibrator's tone or from a data sheet."""

from __future__ import annotations

import datetime
import json
import math
import re
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from distsweep.errors import InputError
from distsweep.takes.recording import find_clipping
from distsweep.units import (
    FloatArray,
    db_to_ratio,
    power_to_db,
    spl_db_to_pascal,
)
from distsweep.whole_files import write_whole_text

SCHEMA = "distsweep.calibration/1"
FILE_NAME = "calibration.json"

PRINCIPAL_HZ = (160.0, 1250.0)
"""A calibrator's principal frequency lies here (IEC 60942:2003, 5.3)."""

FREQUENCY_TOLERANCE = 0.02
"""Class 2 of IEC 60942:2003, 5.3, table 3: ±2 % of the stated frequency."""

STEADINESS_DB = 0.2
"""Largest departure of the short-term level from its mean. Class 2 of IEC 60942:2003 allows
±0.2 dB (from memory): a tone that wavers more is a loose coupler, or no calibrator."""

LARGEST_DISTORTION_PERCENT = 4.0
"""Class 2 of IEC 60942:2003 allows 4 % in total (from memory)."""

LEAST_SNR_DB = 30.0
"""Tone over everything that is neither it nor a harmonic (chosen: noise 30 dB below makes
the level waver by 0.2 dB over a tenth of a second at the very worst)."""

SHORT_TERM_S = 0.1
"""Over this the short-term level is taken (chosen: 16 periods at least)."""

JUDGED_S = 2.0
"""The steadiest stretch of this length is judged: fumbling at both ends does no harm."""

TONE_LIKE_DB = 0.1
"""Short-term levels of a tone stay within this; those of white noise spread by 0.3 dB over
2 s, and fumbling by far more (chosen between them)."""

OLD_AFTER_HOURS = 24.0
"""A calibration older than this is worth a word (chosen: calibrate on the day you measure)."""


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


@dataclass(frozen=True)
class CalibrationNote:
    """A calibration as it is written down.

    ``pascal_per_fs`` is the RMS pressure in Pa of a 0 dBFS sine; ``method`` is "calibrator" or
    "data sheet"; ``date`` is ISO 8601, UTC. ``device`` (the input's name), ``channel`` (from 1),
    ``rate_hz`` and ``input_gain`` say for what it holds; None where that was not noted.
    """

    pascal_per_fs: float
    method: str
    date: str
    microphone: str | None = None
    input_gain: str | None = None
    details: dict[str, Any] | None = None
    device: str | None = None
    channel: int | None = None
    rate_hz: int | None = None


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


def from_tone(tone: CalibratorTone, *, level_spl_db: float) -> float:
    """Return pascal per full scale: p(level)/10^(dBFS/20).

    Raises
    ------
    InputError
        The level is not a number.
    """
    if not math.isfinite(level_spl_db):
        raise InputError(
            f"level is {level_spl_db:g}: must be the number of dB SPL that the calibrator states"
        )
    return float(spl_db_to_pascal(level_spl_db) / db_to_ratio(tone.level_dbfs))


def from_data_sheet(*, millivolt_per_pascal: float, full_scale_volt_rms: float) -> float:
    """Return pascal per full scale from a microphone's sensitivity.

    Parameters
    ----------
    millivolt_per_pascal : open-circuit sensitivity, mV/Pa.
    full_scale_volt_rms : RMS voltage of the sine that just fills the interface's input, at
        the gain in use.

    Raises
    ------
    InputError
        A value is not above 0.
    """
    for name, value in (("mV/Pa", millivolt_per_pascal), ("full-scale volts", full_scale_volt_rms)):
        if not (math.isfinite(value) and value > 0.0):
            raise InputError(f"{name} is {value:g}: must be above 0")
    return full_scale_volt_rms / (1e-3 * millivolt_per_pascal)


def write_calibration(folder: Path, note: CalibrationNote) -> Path:
    """Write ``calibration.json``; a former one is kept under its date.

    Raises
    ------
    InputError
        The folder cannot be written, or the note's scale is no positive number; a former
        calibration then stays.
    """
    check_scale(note)
    keep_former(folder)
    path = folder / FILE_NAME
    write_whole_text(path, note_text(note))
    return path


def check_scale(note: CalibrationNote) -> None:
    """Refuse a calibration whose scale is no positive number.

    Raises
    ------
    InputError
        It is not.
    """
    if not (math.isfinite(note.pascal_per_fs) and note.pascal_per_fs > 0.0):
        raise InputError(
            f"the calibration comes to {note.pascal_per_fs:g} Pa per full scale: must be a number"
            " above 0, so nothing was changed; check the level and the values of the data sheets"
        )


def note_text(note: CalibrationNote) -> str:
    """Return a calibration as the text of its file."""
    data = {"schema": SCHEMA, **{k: v for k, v in asdict(note).items() if v is not None}}
    return json.dumps(data, indent=1, ensure_ascii=False) + "\n"


def keep_former(folder: Path) -> Path | None:
    """Keep a copy of ``calibration.json`` under its date; None where there is no calibration.

    A copy that is there already is found again; another file is never overwritten.

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    path = folder / FILE_NAME
    former = read_note(path)
    if former is None:
        return None
    content = path.read_bytes()
    stamp = "".join(c for c in former.date if c.isalnum()) or "undated"
    number = 1
    while True:
        kept = folder / f"calibration-{stamp}{'' if number == 1 else f'_{number}'}.json"
        if not kept.exists():
            write_whole_text(kept, content.decode("utf-8"))
            return kept
        if kept.read_bytes() == content:
            return kept
        number += 1


def read_note(path: Path) -> CalibrationNote | None:
    """Read who calibrated what and when; None where the file is missing or holds no note."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        note = CalibrationNote(
            pascal_per_fs=float(data["pascal_per_fs"]),
            method=str(data.get("method", "unknown")),
            date=str(data.get("date", "")),
            microphone=_text_of(data, "microphone"),
            input_gain=_text_of(data, "input_gain"),
            details=data.get("details"),
            device=_text_of(data, "device"),
            channel=_whole_of(data, "channel"),
            rate_hz=_whole_of(data, "rate_hz"),
        )
        check_scale(note)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, OverflowError, InputError):
        return None
    return note


def _text_of(data: dict[str, Any], key: str) -> str | None:
    """Return what was noted; a number written by hand, as a gain may be, counts as text."""
    value = data.get(key)
    if isinstance(value, int | float) and not isinstance(value, bool):
        return f"{value:g}"
    return value if isinstance(value, str) and value.strip() else None


def _whole_of(data: dict[str, Any], key: str) -> int | None:
    value = data.get(key)
    return value if isinstance(value, int) and not isinstance(value, bool) else None


def mismatches(
    note: CalibrationNote, *, device: str, channel: int, rate_hz: int, input_gain: str | None
) -> list[str]:
    """Tell in what a capture differs from what a calibration was made for.

    Only what both the calibration and the capture say is compared; see ``unknowns`` for the
    rest. Any difference means that levels may be wrong by any amount.

    Parameters
    ----------
    device, channel, rate_hz : input device's name, channel from 1 and rate of the capture.
    input_gain : where the capture says that the input gain stands; None if it does not.

    Returns
    -------
    One sentence a difference; empty where there is none.
    """
    found = []
    if note.device is not None and _devicewords_of(note.device) != _devicewords_of(device):
        found.append(f"the calibration was made with {note.device!r}, this capture uses {device!r}")
    if note.channel is not None and note.channel != channel:
        found.append(
            f"the calibration was made on channel {note.channel}, this capture uses channel"
            f" {channel}"
        )
    if note.rate_hz is not None and note.rate_hz != rate_hz:
        found.append(
            f"the calibration was made at {note.rate_hz} Hz, this capture runs at {rate_hz} Hz"
        )
    both = note.input_gain is not None and input_gain is not None
    if both and words_of(note.input_gain or "") != words_of(input_gain or ""):
        found.append(
            f"the calibration was made at input gain {note.input_gain!r}, this capture says"
            f" {input_gain!r}"
        )
    return found


def unknowns(note: CalibrationNote) -> list[str]:
    """Tell what was not noted at the calibration, so that nobody can compare it.

    Returns
    -------
    One clause each, such as "the calibration does not say for which channel it was made".
    """
    return [
        f"the calibration does not say {what}"
        for value, what in (
            (note.device, "with which device it was made"),
            (note.channel, "for which channel it was made"),
            (note.rate_hz, "at which rate it was made"),
            (note.input_gain, "at which input gain it was made"),
        )
        if value is None
    ]


def too_old(note: CalibrationNote, *, now: datetime.datetime) -> str | None:
    """Tell if a calibration is older than OLD_AFTER_HOURS, dated in the future, or undated."""
    try:
        age_hours = (now - datetime.datetime.fromisoformat(note.date)).total_seconds() / 3600.0
    except (ValueError, TypeError):
        age_hours = math.nan
    if -1.0 <= age_hours <= OLD_AFTER_HOURS:
        return None
    age = "of unknown age" if math.isnan(age_hours) else f"{age_hours / 24.0:.1f} days old"
    return f"the calibration is {age}: calibrate on the day you measure"


def words_of(text: str) -> str:
    """Return a text in the form in which it is compared: "12 dB" is "12dB"."""
    return "".join(text.split()).casefold()


def _devicewords_of(name: str) -> str:
    """Return a device's name without ALSA's card number, which changes when it is plugged in."""
    return words_of(re.sub(r"\(hw:\d+,", "(hw:,", name))


def now_text() -> str:
    """Return the date and time, ISO 8601 in UTC, to the second."""
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")


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
            f"the strongest tone is at {tone.level_dbfs:.0f} dBFS: is the calibrator on the"
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
