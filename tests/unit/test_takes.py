"""Recordings, correction files and sessions, good and bad."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from conftest import RATE_HZ

from distsweep.errors import InputError
from distsweep.takes.correction import read_correction
from distsweep.takes.recording import find_clipping, read_recording
from distsweep.takes.session import read_session


def tone(amplitude: float = 0.5, frequency_hz: float = 440.0, seconds: float = 1.0) -> np.ndarray:
    time = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    return amplitude * np.sin(2.0 * np.pi * frequency_hz * time)


@pytest.mark.parametrize(
    ("name", "subtype", "step"),
    [
        ("a.wav", "PCM_16", 2.0**-15),
        ("a.wav", "PCM_24", 2.0**-23),
        ("a.wav", "PCM_32", 2.0**-31),
        ("a.wav", "FLOAT", 2.0**-24),
        ("a.wav", "DOUBLE", 2.0**-50),
        ("a.flac", "PCM_16", 2.0**-15),
        ("a.flac", "PCM_24", 2.0**-23),
        ("a.aiff", "PCM_16", 2.0**-15),
        ("a.aiff", "PCM_24", 2.0**-23),
        ("a.aiff", "FLOAT", 2.0**-24),
    ],
)
def test_formats_and_channels(tmp_path: Path, name: str, subtype: str, step: float) -> None:
    channels = np.stack([tone(0.1), tone(0.7, 1000.0), tone(0.3, 50.0)], axis=1)
    soundfile.write(tmp_path / name, channels, RATE_HZ, subtype=subtype)
    recording = read_recording(tmp_path / name, channel=2)
    assert recording.rate_hz == RATE_HZ
    assert np.max(np.abs(recording.samples - channels[:, 1])) <= 1.5 * step
    assert len(recording.clipped_samples) == 0


def write(path: Path, samples: np.ndarray, **more: object) -> Path:
    soundfile.write(path, samples, RATE_HZ, **more)
    return path


def cut_short(path: Path) -> Path:
    data = write(path, tone()).read_bytes()
    path.write_bytes(data[: len(data) // 2])
    return path


def filled(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


BAD = {
    "missing": (lambda d: d / "none.wav", "no such recording"),
    "folder": (lambda d: d, "is a folder"),
    "empty": (lambda d: filled(d / "a.wav", b""), "is empty"),
    "no sound file": (lambda d: filled(d / "a.wav", b"hello" * 99), "cannot be read as sound"),
    "cut WAV": (lambda d: cut_short(d / "a.wav"), "is cut off"),
    "cut AIFF": (lambda d: cut_short(d / "a.aiff"), "is cut off"),
    "cut FLAC": (lambda d: cut_short(d / "a.flac"), "cannot be read as sound"),
    "no samples": (lambda d: write(d / "a.wav", np.zeros(0)), "holds no samples"),
    "silent": (lambda d: write(d / "a.wav", np.zeros(999)), "is silent"),
    "not a number": (
        lambda d: write(d / "a.wav", np.where(np.arange(999) == 7, np.nan, 0.1), subtype="FLOAT"),
        "sample 7 of channel 1 is not a number",
    ),
    "beyond all levels": (
        lambda d: write(d / "a.wav", np.where(np.arange(999) == 7, 1e30, 0.1), subtype="FLOAT"),
        "sample 7 of channel 1 is not a number, or is beyond",
    ),
    "infinite": (
        lambda d: write(d / "a.wav", np.where(np.arange(999) == 7, np.inf, 0.1), subtype="FLOAT"),
        "is not a number",
    ),
    "clipped": (lambda d: write(d / "a.wav", np.clip(tone(5.0), -1, 1)), "are clipped"),
}


@pytest.mark.parametrize(("make", "message"), BAD.values(), ids=BAD)
def test_recordings_that_cannot_be_used(tmp_path: Path, make, message: str) -> None:
    path = make(tmp_path)
    with pytest.raises(InputError, match=message) as caught:
        read_recording(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_channel_that_is_not_there(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", tone())
    with pytest.raises(InputError, match=r"has 1 channel\(s\), channel 2"):
        read_recording(path, channel=2)


def test_clipping_is_found_where_it_is() -> None:
    samples = tone(0.9)
    samples[10000:20000] = np.clip(1.3 * samples[10000:20000], -1.0, 1.0)
    clipped = find_clipping(samples, 1.0)
    assert len(clipped) > 100
    assert clipped.min() >= 10000 and clipped.max() < 20000


def test_clipping_that_was_turned_down_later_is_found() -> None:
    samples = 0.3 * np.clip(tone(1.3), -1.0, 1.0)
    clipped = find_clipping(samples, float(np.max(samples)))
    share = len(clipped) / len(samples)
    # A sine of 1.3 spends 1 − 2/π·asin(1/1.3) = 44 % of the time above 1.
    assert 0.3 < share < 0.45


def test_a_high_note_that_is_clipped_is_found_by_what_a_low_one_proves() -> None:
    """At 11 kHz a flat top holds one sample or none."""
    high = 0.3 * np.clip(tone(1.3, 11000.0), -1.0, 1.0)
    samples = np.concatenate([0.3 * np.clip(tone(1.3), -1.0, 1.0), 0.1 * tone(1.0), high])
    clipped = find_clipping(samples, 0.3)
    later = clipped[clipped >= len(samples) - len(high)]
    assert len(later) > 0.3 * len(high)
    quiet = (clipped >= len(high)) & (clipped < len(samples) - len(high))
    assert not np.any(quiet)


@pytest.mark.parametrize(
    "samples",
    [
        tone(1.0),
        np.round(tone(0.5, 20.0) * 2**15) / 2**15,
        tone(0.999999, 997.0),
        np.sign(np.sin(np.arange(4800) / 7.0)) * np.linspace(0.1, 0.7, 4800),
    ],
    ids=["full-scale sine", "coarse slow sine", "just below", "rising square"],
)
def test_what_is_not_clipped(samples: np.ndarray) -> None:
    assert len(find_clipping(samples, float(np.max(np.abs(samples))))) <= 2


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16"])
def test_steps_of_an_encoding_are_not_taken_for_clipping(tmp_path: Path, subtype: str) -> None:
    """A slow sine some ten steps high stays at each of them, its top too, for many samples."""
    step = {"PCM_U8": 2.0**-7, "PCM_16": 2.0**-15}[subtype]
    path = write(tmp_path / "a.wav", 10.4 * step * tone(1.0, 100.0), subtype=subtype)
    assert len(read_recording(path).clipped_samples) == 0
    clipped = 100.0 * step * np.clip(1.3 * tone(1.0), -1.0, 1.0)
    path = write(tmp_path / "b.wav", clipped, subtype=subtype)
    with pytest.raises(InputError, match="44 % of the samples are clipped"):
        read_recording(path)


def test_correction_file(tmp_path: Path) -> None:
    path = tmp_path / "mic.txt"
    path.write_text(
        '"microphone of the test"\n* made up\nHz dB\n20 -2.0 12\n200,0.5\n2000;1.5\n\n20000\t-1\n'
    )
    correction = read_correction(path)
    assert correction.at(np.array([20.0, 200.0, 20000.0])) == pytest.approx([-2.0, 0.5, -1.0])
    # Half-way on a logarithmic scale, and held past both ends.
    assert correction.at(np.array([632.4555, 5.0, 40000.0])) == pytest.approx([1.0, -2.0, -1.0])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("20 0\n", "1 point"),
        ("", "0 point"),
        ("20 0\n10 1\n", "must be above 0 and rise"),
        ("0 0\n10 1\n", "must be above 0 and rise"),
        ("20 0\n30 x\n", "line 2"),
        ("20 0\n30\n", "line 2"),
        ("20 0\n30 nan\n", "line 2"),
        ("20 0\n30 1e300\n", "too large to be one"),
        ("20 0\n-5 -6 -7 -8\n", "line 2"),
    ],
)
def test_correction_files_that_cannot_be_used(tmp_path: Path, text: str, message: str) -> None:
    (tmp_path / "mic.txt").write_text(text)
    with pytest.raises(InputError, match=message):
        read_correction(tmp_path / "mic.txt")


GOOD = """
[device]
name = "Brindlemoor Tarnbick 4"
cabinet_mm = [150, 235, 185]
port_mm = { length = 165, diameter = 36 }
[conditions]
temperature_c = 21
distance_m = 1.0
level_band_hz = [250, 4000]
[calibration]
pascal_per_fs = 20.0
[[takes]]
position = "axis"
stimulus = "short.json"
recording = "axis.wav"
[[takes]]
position = "port"
stimulus = "short.json"
recording = ["1.wav", "2.wav"]
channel = 2
"""


def test_session(tmp_path: Path) -> None:
    (tmp_path / "session.toml").write_text(GOOD)
    for given in (tmp_path, tmp_path / "session.toml", str(tmp_path)):
        session = read_session(given)
        assert session.device.cabinet_mm == (150.0, 235.0, 185.0)
        assert session.conditions.level_band_hz == (250.0, 4000.0)
        # 20 Pa RMS is 120 dB SPL.
        assert session.calibration.level_offset_db == pytest.approx(120.0)
        assert session.takes[1].recordings == (tmp_path / "1.wav", tmp_path / "2.wav")
        assert session.takes[1].channel == 2


@pytest.mark.parametrize(
    ("before", "after", "message"),
    [
        ("[[takes]]", "[[taks]]", "'taks' was found: did you mean 'takes'"),
        ("distance_m", "distanc_m", "did you mean 'distance_m'"),
        ('name = "B', 'nome = "B', "did you mean 'name'"),
        ("position", "posiiton", "position is missing"),
        ("temperature_c = 21", "temperature_c = '21'", "temperature_c is '21': must be a number"),
        ("[150, 235, 185]", "[150, 235]", "cabinet_mm has 2 numbers: must have 3"),
        ("[150, 235, 185]", "[150, 235, 0]", "three lengths of 40 mm or more"),
        ("[150, 235, 185]", "[0.15, 0.235, 0.185]", "metres or centimetres"),
        ("diameter = 36", "diameter = 0.036", "has a diameter of 0.036: must be 5 mm or more"),
        ("[250, 4000]", "[4000, 250]", "two rising frequencies"),
        ("pascal_per_fs = 20.0", "pascal_per_fs = 0", "pascal_per_fs is 0: must be above 0"),
        ("pascal_per_fs = 20.0", 'file = "no.json"', "calibration cannot be read"),
        ("channel = 2", "channel = 0", "channel is 0: must be a whole number"),
        ("channel = 2", "number = 0", "number is 0: must be a whole number, 1 or more"),
        ("diameter = 36", f"diameter = {10**400}", "must be a number"),
        ("pascal_per_fs = 20.0", "pascal_per_fs = 1e300", "must be a number"),
        ('["1.wav", "2.wav"]', "[]", "recording is"),
        ("temperature_c = 21", "temperature_c = ", "is not valid TOML"),
        ("diameter = 36", "diametre = 36", "diameter is missing"),
    ],
)
def test_sessions_that_cannot_be_used(
    tmp_path: Path, before: str, after: str, message: str
) -> None:
    assert before in GOOD
    (tmp_path / "session.toml").write_text(GOOD.replace(before, after))
    with pytest.raises(InputError, match=message) as caught:
        read_session(tmp_path)
    assert "\n" not in str(caught.value)


def test_sessions_without_a_file_or_takes(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"holds no session\.toml"):
        read_session(tmp_path)
    (tmp_path / "session.toml").write_text("")
    with pytest.raises(InputError, match="takes is missing"):
        read_session(tmp_path)
    (tmp_path / "session.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="UTF-8"):
        read_session(tmp_path)
