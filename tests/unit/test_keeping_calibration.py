"""Calibrating again never changes what was measured before, and nothing bad replaces a good one."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from unittest import mock

import numpy as np
import pytest
import soundfile
from capture_bench import (
    RATE_HZ,
    FakeBench,
    calibrated_session,
    run_capture,
    run_main,
)

from distsweep.capture import devices
from distsweep.capture.calibration import CalibrationNote, read_note, write_calibration
from distsweep.errors import InputError
from distsweep.results import Take, first_take
from distsweep.takes.session import read_session
from distsweep.takes.session_file import pin_takes

QUIET = ("--levels-dbfs=-55",)


def tone(folder: Path, dbfs: float = -26.0, channels: int = 1) -> Path:
    time_s = np.arange(3 * RATE_HZ) / RATE_HZ
    wave = 10 ** (dbfs / 20) * np.sin(2 * np.pi * 1000.0 * time_s)
    noise = 1e-6 * np.random.default_rng(1).standard_normal((len(wave), channels))
    path = folder / f"tone{dbfs:g}-{channels}.wav"
    soundfile.write(path, wave[:, None] + noise, RATE_HZ, subtype="FLOAT")
    return path


def calibrate(session: Path, recording: Path, *options: str):
    return run_main("calibrate", str(session), "--recording", str(recording), *options)


def levels(session: Path) -> list[float | None]:
    ran = run_main("analyse", str(session), "--no-report", "--json", "-")
    assert ran.exit_code == 0, ran.stderr
    return [take["rungs"][-1]["spl_db"] for take in json.loads(ran.stdout)["takes"]]


# ── a take keeps its own ───────────────────────────────────────────────────────────────────


def test_calibrating_again_leaves_the_level_of_earlier_takes(tmp_path: Path, sidecar: Path) -> None:
    session = calibrated_session(tmp_path / "s", None)
    assert calibrate(session, tone(tmp_path, -26.0)).exit_code == 0
    ran = run_capture(FakeBench(), session, sidecar, *QUIET, "--accept-level", "120")
    assert ran.exit_code == 0, ran.stderr
    before = levels(session)
    assert calibrate(session, tone(tmp_path, -46.0)).exit_code == 0
    assert levels(session) == before
    results = json.loads(run_main("analyse", str(session), "--no-report", "--json", "-").stdout)
    assert results["takes"][0]["calibration"]["source"] == "axis-calibration.json"
    assert results["calibration"]["source"] == "calibration.json"
    takes_own = results["takes"][0]["calibration"]["pascal_per_fs"]
    assert results["calibration"]["pascal_per_fs"] / takes_own == pytest.approx(10.0, rel=1e-3)


def test_takes_without_their_own_are_pinned_to_the_calibration_they_were_made_with(
    tmp_path: Path, sidecar: Path
) -> None:
    """As sessions are that were captured, or written by hand, without it."""
    session = calibrated_session(tmp_path / "s", None)
    assert calibrate(session, tone(tmp_path, -26.0)).exit_code == 0
    options = (*QUIET, "--accept-level", "120")
    assert run_capture(FakeBench(), session, sidecar, *options).exit_code == 0
    path = session / "session.toml"
    lines = [line for line in path.read_text().splitlines() if not line.startswith("calibration =")]
    assert len(lines) < len(path.read_text().splitlines())
    text = "\n".join(lines).replace("[[takes]]", "[[takes]]   # the first, by hand") + "\n"
    path.write_text(text)
    before = levels(session)
    ran = calibrate(session, tone(tmp_path, -46.0))
    assert ran.exit_code == 0 and "1 earlier take(s) keep the calibration" in ran.stderr
    assert levels(session) == before
    after = path.read_text()
    pinned = tomllib.loads(after)["takes"][0]["calibration"]
    assert after.replace(f'calibration = "{pinned}"\n', "") == text
    # Once more: each keeps what it has.
    assert calibrate(session, tone(tmp_path, -36.0)).exit_code == 0
    assert path.read_text() == after and levels(session) == before


def test_an_uncalibrated_take_follows_a_later_calibration_and_that_is_said(
    tmp_path: Path, sidecar: Path
) -> None:
    session = calibrated_session(tmp_path / "s", None)
    assert run_capture(FakeBench(), session, sidecar, "--levels-dbfs=-60").exit_code == 0
    assert not (session / "axis-calibration.json").exists()
    assert levels(session) == [None]
    ran = calibrate(session, tone(tmp_path))
    assert "have no calibration of their own" in ran.stderr.replace("\n", " ")
    assert levels(session)[0] is not None
    path = session / "session.toml"
    path.write_text(path.read_text().replace("[[takes]]", '[[takes]]\ncalibration = "none"'))
    assert levels(session) == [None]


def test_takes_that_cannot_be_pinned_keep_the_old_calibration(tmp_path: Path) -> None:
    session = calibrated_session(tmp_path / "s", None)
    assert calibrate(session, tone(tmp_path, -26.0)).exit_code == 0
    path = session / "session.toml"
    take = '{ position = "axis", stimulus = "x.json", recording = "x.wav" }'
    path.write_text(f"takes = [{take}]\n" + path.read_text())
    before = {p.name: p.read_bytes() for p in session.iterdir()}
    ran = calibrate(session, tone(tmp_path, -46.0))
    assert ran.exit_code == 3 and "[[takes]] tables" in ran.stderr
    after = {p.name: p.read_bytes() for p in session.iterdir()}
    assert {name: after[name] for name in before} == before


SPELLINGS = {
    "indented": '  [[ takes ]] # one\n  position = "a"\n  stimulus = "s"\n  recording = "r"\n',
    "quoted": '[["takes"]]\nposition = "a"\nstimulus = "s"\nrecording = "r"\n',
    "line ends": '[[takes]]\r\nposition = "a"\r\nstimulus = "s"\r\nrecording = "r"\r\n',
    "two": '[[takes]]\nposition = "a"\ncalibration = "own"\n\n[[takes]]\nposition = "b"\n',
    "at the end": 'x = 1\n[[takes]]\nposition = "a"\n[device]\nname = "[[takes]]"',
}


@pytest.mark.parametrize("name", SPELLINGS)
def test_pinning_changes_nothing_else(name: str, tmp_path: Path) -> None:
    path = tmp_path / "session.toml"
    path.write_bytes(SPELLINGS[name].encode())
    expected = tomllib.loads(SPELLINGS[name])
    assert pin_takes(path, "c.json") == 1
    expected["takes"][-1]["calibration"] = "c.json"
    text = path.read_bytes().decode()
    assert tomllib.loads(text) == expected
    assert "".join(x for x in text.splitlines(True) if '"c.json"' not in x) == SPELLINGS[name]


def test_text_that_only_looks_like_a_take_is_not_pinned(tmp_path: Path) -> None:
    path = tmp_path / "session.toml"
    text = 'a = """\n[[takes]]\n"""\n[[takes]]\nposition = "p"\n'
    path.write_text(text)
    with pytest.raises(InputError, match="add calibration"):
        pin_takes(path, "c.json")
    assert path.read_text() == text


# ── what calibrate writes ──────────────────────────────────────────────────────────────────


def good_session(folder: Path) -> bytes:
    write_calibration(folder, CalibrationNote(20.0, "calibrator", "2026-03-02T08:00:00+00:00"))
    return (folder / "calibration.json").read_bytes()


@pytest.mark.parametrize(
    "options",
    [
        ("--recording", "{tone}", "--level", "nan"),
        ("--sensitivity-mv-per-pa", "1e-300", "--full-scale-v-rms", "1e300"),
        ("--sensitivity-mv-per-pa", "1e300", "--full-scale-v-rms", "1e-300"),
        ("--sensitivity-mv-per-pa", "nan", "--full-scale-v-rms", "1"),
    ],
)
def test_what_is_no_number_never_replaces_a_good_calibration(
    options: tuple[str, ...], tmp_path: Path
) -> None:
    good = good_session(tmp_path)
    recording = tone(tmp_path)
    ran = run_main("calibrate", str(tmp_path), *(o.format(tone=recording) for o in options))
    assert ran.exit_code in (2, 3), ran.stderr
    assert (tmp_path / "calibration.json").read_bytes() == good
    assert not list(tmp_path.glob("calibration-*"))


@pytest.mark.parametrize("pascal_per_fs", [float("nan"), float("inf"), 0.0, -1.0])
def test_write_calibration_refuses_what_is_no_positive_number(
    pascal_per_fs: float, tmp_path: Path
) -> None:
    good = good_session(tmp_path)
    with pytest.raises(InputError, match="must be a number above 0"):
        write_calibration(tmp_path, CalibrationNote(pascal_per_fs, "calibrator", "today"))
    assert (tmp_path / "calibration.json").read_bytes() == good


def test_a_former_calibration_of_the_same_second_is_kept_too(tmp_path: Path) -> None:
    for pascal in (1.0, 2.0, 3.0):
        write_calibration(tmp_path, CalibrationNote(pascal, "calibrator", "2026-03-02T08:00:00"))
    kept = {read_note(path).pascal_per_fs for path in tmp_path.glob("calibration*.json")}  # type: ignore[union-attr]
    assert kept == {1.0, 2.0, 3.0}


def test_a_damaged_calibration_can_be_replaced(tmp_path: Path) -> None:
    (tmp_path / "session.toml").write_text('[calibration]\nfile = "calibration.json"\n')
    (tmp_path / "calibration.json").write_text("{")
    assert calibrate(tmp_path, tone(tmp_path)).exit_code == 0
    read = read_session(tmp_path, takes_required=False).calibration.pascal_per_fs
    assert read == pytest.approx(20.0, rel=1e-3)


def test_a_calibration_replaces_no_recording(tmp_path: Path) -> None:
    recording = tone(tmp_path)
    place = recording.rename(tmp_path / "calibration.json")
    before = place.read_bytes()
    ran = calibrate(tmp_path, place)
    assert ran.exit_code == 3 and ran.stderr.splitlines()[-1].endswith("choose another folder")
    assert place.read_bytes() == before and list(tmp_path.iterdir()) == [place]


class Microphones(FakeBench):
    """A calibrator on channel 2, nothing on channel 1; opened with one channel, the mean."""

    def record(self, device, *, channels, rate_hz, seconds):
        time_s = np.arange(round(seconds * rate_hz)) / rate_hz
        second = 0.05 * np.sqrt(2.0) * np.sin(2 * np.pi * 1000.0 * time_s)
        first = 1e-6 * np.random.default_rng(3).standard_normal(len(time_s))
        both = np.stack([first + (0.0 if self.on == 2 else second), second * (self.on == 2)])
        if channels == 1:
            return both.mean(axis=0)[:, None]
        return both[:channels].T

    on = 2


@pytest.mark.parametrize("channel", [1, 2])
def test_calibrate_reads_the_channel_it_was_told(channel: int, tmp_path: Path) -> None:
    bench = Microphones()
    bench.on = channel
    with mock.patch.object(devices, "open_backend", lambda: bench):
        ran = run_main(
            *("calibrate", str(tmp_path), "--input", "bench", "--channel", str(channel)),
            *("--gain", "30 dB", "--rate-hz", "48000"),
        )
    assert ran.exit_code == 0, ran.stderr
    note = read_note(tmp_path / "calibration.json")
    assert note is not None
    # 0.05·√2 is −23.01 dBFS; 94 dB SPL are 1.0024 Pa.
    assert note.pascal_per_fs == pytest.approx(1.00237 / (0.05 * np.sqrt(2.0)), rel=1e-3)
    assert (note.device, note.channel, note.rate_hz, note.input_gain) == (
        *("bench", channel, 48000, "30 dB"),
    )


@pytest.mark.parametrize(
    ("channels", "options", "expected"),
    [
        (1, (), (None, None, RATE_HZ)),
        (1, ("--device", "Thornwick USB", "--input-channel", "2"), ("Thornwick USB", 2, RATE_HZ)),
        (2, ("--channel", "2"), (None, 2, RATE_HZ)),
    ],
)
def test_what_a_recording_tells_of_where_it_came_in(
    channels: int, options: tuple[str, ...], expected: tuple, tmp_path: Path
) -> None:
    assert calibrate(tmp_path, tone(tmp_path, channels=channels), *options).exit_code == 0
    note = read_note(tmp_path / "calibration.json")
    assert note is not None
    assert (note.device, note.channel, note.rate_hz) == expected


def test_data_sheets_note_what_was_given(tmp_path: Path) -> None:
    sheet = ("--sensitivity-mv-per-pa", "10", "--full-scale-v-rms", "1")
    assert run_main("calibrate", str(tmp_path), *sheet).exit_code == 0
    note = read_note(tmp_path / "calibration.json")
    assert note is not None and (note.device, note.channel, note.rate_hz) == (None, None, None)
    options = ("--device", "Thornwick USB", "--input-channel", "1", "--rate-hz", "96000")
    assert run_main("calibrate", str(tmp_path), *sheet, *options).exit_code == 0
    note = read_note(tmp_path / "calibration.json")
    assert note is not None
    assert (note.device, note.channel, note.rate_hz) == ("Thornwick USB", 1, 96000)


# ── partial takes ──────────────────────────────────────────────────────────────────────────


def test_a_partial_take_comes_after_a_complete_one() -> None:
    def take(position: str, kind: str, partial: bool) -> Take:
        empty = np.empty(0)
        return Take(position, "s", kind, None, "dBFS", empty, [1, 2], empty, [], partial=partial)

    cut, stairs, whole = (take("axis", k, p) for k, p in LISTED)
    takes = [cut, stairs, whole, take("port", "ladder", True)]
    assert first_take(takes, "axis") is stairs
    assert first_take(takes, "axis", kind="ladder") is whole
    assert first_take([cut], "axis") is cut
    port = first_take(takes, "port")
    assert port is not None and port.partial
    assert first_take(takes, "port", kind="staircase") is None


LISTED = [("ladder", True), ("staircase", False), ("ladder", False)]
