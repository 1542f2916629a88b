"""Pascal per full scale: from a calibrator's tone or a data sheet, as it is written down."""

from __future__ import annotations

import datetime
import json
import math
import re
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from distsweep.capture.calibrator_tone import CalibratorTone
from distsweep.errors import InputError
from distsweep.units import db_to_ratio, spl_db_to_pascal
from distsweep.whole_files import begins_as_json, has_content, write_whole_text

SCHEMA = "distsweep.calibration/1"
FILE_NAME = "calibration.json"

OLD_AFTER_HOURS = 24.0
"""Age from which on a calibration is called old (chosen: calibrate on the day you measure)."""


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
        The folder cannot be written, something else has the file's name, or the note's scale is
        no positive number; what stood there then stays.
    """
    check_scale(note)
    path = folder / FILE_NAME
    if has_content(path) and not begins_as_json(path):
        raise InputError(
            f"{path}: is there, and is no calibration: it was left as it is; move it, or choose"
            " another folder"
        )
    keep_former(folder)
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
    except (OSError, ValueError, KeyError, TypeError, AttributeError, OverflowError):
        return None
    except (RecursionError, InputError):
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
    differences = []
    if note.device is not None and _device_words_of(note.device) != _device_words_of(device):
        differences.append(
            f"the calibration was made with {note.device!r}, this capture uses {device!r}"
        )
    if note.channel is not None and note.channel != channel:
        differences.append(
            f"the calibration was made on channel {note.channel}, this capture uses channel"
            f" {channel}"
        )
    if note.rate_hz is not None and note.rate_hz != rate_hz:
        differences.append(
            f"the calibration was made at {note.rate_hz} Hz, this capture runs at {rate_hz} Hz"
        )
    both = note.input_gain is not None and input_gain is not None
    if both and words_of(note.input_gain or "") != words_of(input_gain or ""):
        differences.append(
            f"the calibration was made at input gain {note.input_gain!r}, this capture says"
            f" {input_gain!r}"
        )
    return differences


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


def _device_words_of(name: str) -> str:
    """Return a device's name without ALSA's card number, which changes when it is plugged in."""
    return words_of(re.sub(r"\(hw:\d+,", "(hw:,", name))


def now_text() -> str:
    """Return the date and time, ISO 8601 in UTC, to the second."""
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
