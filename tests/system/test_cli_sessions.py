"""Sessions that cannot be used: one line, exit code 3, nothing written."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from command_line import assert_refused, files_below, run
from short_ladder import TAKE, Bench, bench, made

__all__ = ["bench", "made"]  # fixtures, which pytest finds by name


SESSIONS = {
    "malformed": ("[[takes]\nposition =", "not valid TOML.*line 1"),
    "key given twice": (TAKE + "channel = 1\nchannel = 2\n", "not valid TOML.*line 6"),
    "empty": ("", "takes is"),
    "without takes": ('[device]\nname = "x"\n', "takes is"),
    "takes not a list": ('takes = "axis"\n', "takes"),
    "takes of texts": ('takes = ["axis"]\n', "table"),
    "unknown table": (TAKE + '[devise]\nname = "x"\n', "'devise'.*'device'"),
    "unknown key of a take": (TAKE + "chanel = 1\n", "'chanel'.*'channel'"),
    "unknown key of calibration": (
        "[calibration]\npascal_per_sf = 1.0\n" + TAKE,
        "'pascal_per_sf'.*'pascal_per_fs'",
    ),
    "unknown key of conditions": (
        "[conditions]\ntemprature_c = 1.0\n" + TAKE,
        "'temprature_c'.*'temperature_c'",
    ),
    "unknown key of the device": (
        "[device]\ncabinet = [1, 2, 3]\n" + TAKE,
        "'cabinet'.*'cabinet_mm'",
    ),
    "unknown key of the port": (
        "[device]\nport_mm = { length = 1, diameter = 2, flair = 3 }\n" + TAKE,
        "'flair'",
    ),
    "device not a table": ('device = "x"\n' + TAKE, "table"),
    "channel 0": (TAKE + "channel = 0\n", "channel is 0"),
    "channel a text": (TAKE + 'channel = "left"\n', "channel is 'left'"),
    "no recording": (TAKE.replace('"short.wav"', "[]"), "recording is"),
    "recording a number": (TAKE.replace('"short.wav"', "5"), "recording is 5"),
    "position missing": (TAKE.replace('position = "axis"\n', ""), "position is missing"),
    "level band backwards": (
        "[conditions]\nlevel_band_hz = [3000, 300]\n" + TAKE,
        "level_band_hz",
    ),
    "calibration of 0": ("[calibration]\npascal_per_fs = 0\n" + TAKE, "pascal_per_fs"),
    "calibration not a number": ("[calibration]\npascal_per_fs = nan\n" + TAKE, "pascal_per_fs"),
    "two calibrations": (
        '[calibration]\npascal_per_fs = 1.0\nfile = "c.json"\n' + TAKE,
        "both given",
    ),
}


def session_outcome(bench: Bench, text: str, capfd) -> Any:
    (bench.folder / "session.toml").write_text(text, encoding="utf-8")
    before = files_below(bench.folder)
    outcome = run(capfd, "analyse", bench.folder, "--no-report")
    assert files_below(bench.folder) == before
    return outcome


@pytest.mark.parametrize("case", SESSIONS)
def test_session_that_cannot_be_used(case: str, bench: Bench, capfd) -> None:
    text, says = SESSIONS[case]
    outcome = session_outcome(bench, text, capfd)
    assert_refused(outcome, names=str(bench.folder / "session.toml"), says=says)


@pytest.mark.parametrize(
    ("given", "names", "says"),
    [
        ('"none.wav"', "none.wav", "no such recording"),
        ('["short.wav", "short.wav"]', "short.wav", "is listed twice"),
    ],
    ids=["missing", "twice"],
)
def test_recordings_of_a_session(given: str, names: str, says: str, bench: Bench, capfd) -> None:
    outcome = session_outcome(bench, TAKE.replace('"short.wav"', given), capfd)
    assert_refused(outcome, names=str(bench.folder / names), says=says)


CALIBRATIONS = {
    "missing": None,
    "empty": "",
    "a list": "[]",
    "without the key": "{}",
    "a text": '{"pascal_per_fs": "1"}',
    "true": '{"pascal_per_fs": true}',
    "negative": '{"pascal_per_fs": -1}',
    "NaN": '{"pascal_per_fs": NaN}',
}


CORRECTIONS = {
    "missing": None,
    "empty": "",
    "one point": "100 0\n",
    "falling": "100 0\n50 1\n",
    "words": "100 0\n200 zero\n",
    "not a number": "100 0\n200 nan\n",
    "four columns": "100 0 0 0\n200 0 0 0\n",
}


@pytest.mark.parametrize(
    ("key", "name", "text"),
    [
        pytest.param(key, name, text, id=f"{key}-{case}")
        for key, name, cases in (
            ("file", "c.json", CALIBRATIONS),
            ("mic_correction", "mic.txt", CORRECTIONS),
        )
        for case, text in cases.items()
    ],
)
def test_file_of_a_calibration_that_cannot_be_used(
    key: str, name: str, text: str | None, bench: Bench, capfd
) -> None:
    file = bench.folder / name
    if text is not None:
        file.write_text(text, encoding="utf-8")
    outcome = session_outcome(bench, f'[calibration]\n{key} = "{name}"\n' + TAKE, capfd)
    assert_refused(outcome, names=str(file))


@pytest.mark.parametrize("name", ["nowhere", "empty-folder"])
def test_session_that_is_none(name: str, tmp_path: Path, capfd) -> None:
    (tmp_path / "empty-folder").mkdir()
    outcome = run(capfd, "analyse", tmp_path / name)
    assert_refused(outcome, names=str(tmp_path / name))


def test_recording_without_its_stimulus(bench: Bench, capfd) -> None:
    # The likeliest slip of all: the reader must learn of --stimulus, not of TOML or UTF-8.
    recording = bench.folder / "short.wav"
    outcome = run(capfd, "analyse", recording)
    assert_refused(outcome, names=str(recording), says="--stimulus")
