"""Calibration: tones with known answers, tones to be refused, data sheets, the command."""

from __future__ import annotations

import datetime
import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from capture_bench import run_main
from numpy.typing import NDArray

from distsweep.capture.calibration import (
    CalibrationNote,
    from_data_sheet,
    from_tone,
    mismatches,
    read_note,
    too_old,
    unknowns,
    write_calibration,
)
from distsweep.capture.calibrator_tone import measure_tone
from distsweep.errors import InputError
from distsweep.takes.session import read_session

RATE_HZ = 48000


def tone(
    *,
    dbfs: float = -26.0,
    hz: float = 1000.0,
    seconds: float = 4.0,
    noise_dbfs: float = -90.0,
    second_percent: float = 0.0,
    waver_db: float = 0.0,
    rate_hz: int = RATE_HZ,
) -> NDArray:
    rng = np.random.default_rng(3)
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    level_db = dbfs + waver_db * np.sin(2 * np.pi * 0.7 * t)
    wave = np.sin(2 * np.pi * hz * t) + second_percent / 100 * np.sin(4 * np.pi * hz * t)
    noise = 10 ** (noise_dbfs / 20) / np.sqrt(2) * rng.standard_normal(len(t))
    return 10 ** (level_db / 20) * wave + noise


@pytest.mark.parametrize("hz", [250.0, 251.19, 1000.0, 1003.7])
@pytest.mark.parametrize("dbfs", [-60.0, -26.0, -1.0])
@pytest.mark.parametrize("rate_hz", [44100, 48000])
def test_a_clean_tone_gives_its_level_and_frequency(hz: float, dbfs: float, rate_hz: int) -> None:
    stated_hz = 250.0 if hz < 500.0 else 1000.0
    samples = tone(dbfs=dbfs, hz=hz, noise_dbfs=dbfs - 60.0, rate_hz=rate_hz)
    found = measure_tone(samples, rate_hz=rate_hz, frequency_hz=stated_hz)
    # Noise 60 dB down, over 2 s: 0.001 dB and 0.001 Hz would be ten times its standard error.
    assert found.level_dbfs == pytest.approx(dbfs, abs=0.005)
    assert found.frequency_hz == pytest.approx(hz, abs=0.01)
    assert found.snr_db == pytest.approx(60.0, abs=0.5)
    assert found.distortion_percent < 0.1


def test_the_scale_is_pascal_per_full_scale() -> None:
    """94 dB at −26 dBFS: a 0 dBFS sine is 120 dB SPL, 20 Pa."""
    found = measure_tone(tone(), rate_hz=RATE_HZ, frequency_hz=1000.0)
    assert from_tone(found, level_spl_db=94.0) == pytest.approx(20.0, rel=1e-3)
    assert from_tone(found, level_spl_db=114.0) == pytest.approx(200.0, rel=1e-3)


def test_fumbling_before_and_after_does_no_harm() -> None:
    rng = np.random.default_rng(4)
    fumble = 0.3 * rng.standard_normal(RATE_HZ)
    samples = np.concatenate([np.zeros(RATE_HZ), fumble, tone(), fumble])
    found = measure_tone(samples, rate_hz=RATE_HZ, frequency_hz=1000.0)
    assert found.level_dbfs == pytest.approx(-26.0, abs=0.01)


def test_distortion_is_read_in_percent() -> None:
    found = measure_tone(tone(second_percent=2.0), rate_hz=RATE_HZ, frequency_hz=1000.0)
    assert found.distortion_percent == pytest.approx(2.0, abs=0.02)


REFUSED = {
    "another frequency": (tone(hz=1030.0), "the calibrator states"),
    "hum": (tone(hz=100.0), "the calibrator states"),
    "noise": (tone(noise_dbfs=-40.0), "above the noise"),
    "distorted": (tone(second_percent=5.0), "distorted"),
    "wavering": (tone(waver_db=0.5), "wavers"),
    "too short": (tone(seconds=1.0), "2 s or more"),
    "clipped": (np.clip(2.0 * tone(dbfs=0.0), -1.0, 1.0), "clipped"),
    "nothing": (tone(dbfs=-200.0, noise_dbfs=-100.0), "is the calibrator on"),
    "silence": (np.zeros(4 * RATE_HZ), "is the calibrator on"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_not_a_calibrators_tone_is_refused(name: str) -> None:
    samples, text = REFUSED[name]
    with pytest.raises(InputError, match=text):
        measure_tone(samples, rate_hz=RATE_HZ, frequency_hz=1000.0)


def test_no_calibrator_sounds_at_4_khz() -> None:
    with pytest.raises(InputError, match="IEC 60942"):
        measure_tone(tone(hz=4000.0), rate_hz=RATE_HZ, frequency_hz=4000.0)


@pytest.mark.parametrize("bad", [0.0, -1.0, np.nan, np.inf])
def test_data_sheets_must_be_above_zero(bad: float) -> None:
    assert from_data_sheet(millivolt_per_pascal=10.0, full_scale_volt_rms=1.0) == 100.0
    with pytest.raises(InputError, match="above 0"):
        from_data_sheet(millivolt_per_pascal=bad, full_scale_volt_rms=1.0)
    with pytest.raises(InputError, match="above 0"):
        from_data_sheet(millivolt_per_pascal=10.0, full_scale_volt_rms=bad)


NOW = datetime.datetime(2026, 3, 2, 12, 0, tzinfo=datetime.UTC)


def note(**changes: object) -> CalibrationNote:
    return CalibrationNote(
        **{
            "pascal_per_fs": 20.0,
            "method": "calibrator",
            "date": "2026-03-02T08:00:00+00:00",
            "input_gain": "30 dB",
            **changes,
        }
    )


MADE_FOR = {"device": "Thornwick USB (hw:1,0)", "channel": 2, "rate_hz": 48000}
CAPTURE = {**MADE_FOR, "input_gain": "30 dB"}


@pytest.mark.parametrize(
    ("changes", "capture", "words"),
    [
        ({}, {}, []),
        ({}, {"device": "Thornwick USB (hw:3,0)", "input_gain": "30dB"}, []),  # plugged in again
        ({}, {"device": "Thornwick USB (hw:1,1)"}, ["this capture uses 'Thornwick USB (hw:1,1)'"]),
        ({}, {"channel": 1}, ["on channel 2, this capture uses channel 1"]),
        ({}, {"rate_hz": 44100}, ["at 48000 Hz, this capture runs at 44100"]),
        ({}, {"input_gain": "20 dB"}, ["at input gain '30 dB', this capture says '20 dB'"]),
        ({}, {"device": "other", "channel": 1}, ["'other'", "channel 1"]),
        # What one of both does not say cannot differ.
        ({}, {"input_gain": None}, []),
        ({"device": None, "channel": None, "rate_hz": None, "input_gain": None}, {}, []),
    ],
)
def test_a_capture_that_differs_from_its_calibration(
    changes: dict, capture: dict, words: list[str]
) -> None:
    found = mismatches(note(**{**MADE_FOR, **changes}), **{**CAPTURE, **capture})
    assert len(found) == len(words), found
    for text, word in zip(found, words, strict=True):
        assert word in text


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, []),
        ({"input_gain": None}, ["at which input gain"]),
        ({"device": None, "channel": None}, ["with which device", "for which channel"]),
        ({"rate_hz": None}, ["at which rate"]),
    ],
)
def test_what_nobody_can_compare(changes: dict, words: list[str]) -> None:
    found = unknowns(note(**{**MADE_FOR, **changes}))
    assert len(found) == len(words), found
    for text, word in zip(found, words, strict=True):
        assert word in text


@pytest.mark.parametrize(
    ("date", "word"),
    [
        ("2026-03-02T08:00:00+00:00", None),
        ("2026-02-27T12:00:00+00:00", "3.0 days old"),
        ("2026-03-01T11:00:00+00:00", "1.0 days old"),
        ("2027-01-01T00:00:00+00:00", "days old"),
        ("yesterday", "unknown age"),
        ("2026-03-02", "unknown age"),
    ],
)
def test_a_calibration_grows_old(date: str, word: str | None) -> None:
    found = too_old(note(date=date), now=NOW)
    assert found is None if word is None else word in str(found)


def test_a_former_calibration_is_kept_under_its_date(tmp_path: Path) -> None:
    write_calibration(tmp_path, note())
    write_calibration(tmp_path, note(pascal_per_fs=10.0, date="2026-03-03T08:00:00+00:00"))
    current = read_note(tmp_path / "calibration.json")
    assert current is not None and current.pascal_per_fs == 10.0
    kept = list(tmp_path.glob("calibration-*.json"))
    assert len(kept) == 1
    former = read_note(kept[0])
    assert former is not None and former.pascal_per_fs == 20.0


def write_tone(path: Path, samples: NDArray) -> Path:
    soundfile.write(path, samples, RATE_HZ, subtype="FLOAT")
    return path


def test_the_command_makes_a_session_that_uses_it(tmp_path: Path) -> None:
    recording = write_tone(tmp_path / "tone.wav", tone())
    session = tmp_path / "session"
    ran = run_main(
        *("calibrate", str(session), "--recording", str(recording)),
        *("--microphone", "M 1", "--gain", "30 dB"),
    )
    assert ran.exit_code == 0, ran.stderr
    assert "120.0 dB SPL" in ran.stderr
    data = json.loads((session / "calibration.json").read_text())
    assert data["microphone"] == "M 1" and data["input_gain"] == "30 dB" and data["date"]
    read = read_session(session, takes_required=False)
    assert read.calibration.pascal_per_fs == pytest.approx(20.0, rel=1e-3)


def test_the_command_adds_to_a_session_and_keeps_its_remarks(tmp_path: Path) -> None:
    recording = write_tone(tmp_path / "tone.wav", tone())
    text = '# mine\n[device]\nname = "box"  # also mine\n'
    (tmp_path / "session.toml").write_text(text)
    assert run_main("calibrate", str(tmp_path), "--recording", str(recording)).exit_code == 0
    after = (tmp_path / "session.toml").read_text()
    assert after.startswith(text) and 'file = "calibration.json"' in after
    assert run_main("calibrate", str(tmp_path), "--recording", str(recording)).exit_code == 0
    assert (tmp_path / "session.toml").read_text() == after


def test_the_command_warns_where_the_session_names_another(tmp_path: Path) -> None:
    (tmp_path / "session.toml").write_text("[calibration]\npascal_per_fs = 3.0\n")
    ran = run_main(
        *("calibrate", str(tmp_path), "--sensitivity-mv-per-pa", "10", "--full-scale-v-rms", "1")
    )
    assert ran.exit_code == 0
    assert "names another calibration" in ran.stderr
    assert json.loads((tmp_path / "calibration.json").read_text())["method"] == "data sheet"


@pytest.mark.parametrize(
    "options",
    [
        (),
        ("--recording", "x.wav", "--input", "0"),
        ("--sensitivity-mv-per-pa", "10"),
        ("--full-scale-v-rms", "10", "--input", "0"),
    ],
)
def test_wrong_usage(tmp_path: Path, options: tuple[str, ...]) -> None:
    assert run_main("calibrate", str(tmp_path), *options).exit_code == 2


def test_a_refused_tone_changes_nothing(tmp_path: Path) -> None:
    recording = write_tone(tmp_path / "tone.wav", tone(hz=50.0))
    session = tmp_path / "s"
    assert run_main("calibrate", str(session), "--recording", str(recording)).exit_code == 3
    assert not session.exists()
