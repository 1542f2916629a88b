"""Numbers of a session in a wrong unit: refused where they cannot be, doubted where improbable."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from conftest import Bench, ladder_recipe

from distsweep.analysis.settings import TakeSettings
from distsweep.errors import InputError
from distsweep.pipeline import analyse
from distsweep.report.summary import summary_sentences
from distsweep.results import Results, Warning_
from distsweep.takes.correction import read_correction
from distsweep.takes.doubts import session_doubts, take_doubts
from distsweep.takes.session import read_session
from distsweep.takes.session_calibration import Calibration
from distsweep.words.warnings import warning_sentence

TAKE = '[[takes]]\nposition = "axis"\nstimulus = "short.json"\nrecording = "axis.wav"\n'


def session_of(folder: Path, table: str, line: str) -> Path:
    path = folder / "session.toml"
    path.write_text(f"[{table}]\n{line}\n{TAKE}", encoding="utf-8")
    return path


REFUSED = [
    ("conditions", "temperature_c = 294", "is 294 °C: in kelvin. write 21; .* between -40 and 60"),
    ("conditions", "temperature_c = 70", "is 70 °C: in Fahrenheit. write 21"),
    ("conditions", "temperature_c = -60", "is -60 °C: must lie between -40 and 60"),
    ("conditions", "distance_m = 100", "is 100 m: in centimetres. write 1; .* 0.001 and 30"),
    ("conditions", 'date = "20.11.2026"', "is '20.11.2026': must be a day, as date = 2026-11-20"),
    ("conditions", "distance_m = 1000", "is 1000 m: in millimetres. write 1"),
    ("conditions", "distance_m = 0.0001", "is 0.0001 m: must lie between"),
    ("conditions", "listener_distance_m = 250", "is 250 m: in centimetres. write 2.5"),
    ("conditions", "level_band_hz = [0.3, 3]", r"is \[0.3, 3\]: in kHz. write \[300, 3000\]"),
    ("conditions", "level_band_hz = [0.5, 30]", r"in kHz. write \[500, 30000\]"),
    ("conditions", "level_band_hz = [30000, 60000]", "must lie between 20 and 20000 Hz"),
    ("device", "cabinet_mm = [18, 24, 15]", r"centimetres. write \[180, 240, 150\]"),
    ("device", "cabinet_mm = [0.18, 0.24, 0.15]", r"centimetres. write \[180, 240, 150\]"),
    ("device", "cabinet_mm = [180, 240, 15000]", "40 mm or more, up to 5000"),
    ("device", "port_mm = { length = 120, diameter = 4.5 }", "diameter of 4.5.* centimetres"),
    ("device", "port_mm = { length = 0.12, diameter = 45 }", "length of 0.12.* metres"),
    (
        "device",
        "cabinet_mm = [180, 240, 150]\nport_mm = { length = 120, diameter = 450 }",
        "diameter of 450, and no side of cabinet_mm is longer than 240",
    ),
]


@pytest.mark.parametrize(("table", "line", "says"), REFUSED)
def test_what_cannot_be_is_refused(table: str, line: str, says: str, tmp_path: Path) -> None:
    path = session_of(tmp_path, table, line)
    with pytest.raises(InputError, match=says) as caught:
        read_session(path)
    assert str(path) in str(caught.value) and "\n" not in str(caught.value)


DOUBTED = [
    ("conditions", "temperature_c = 50", "temperature", "in Fahrenheit. write 10"),
    ("conditions", "temperature_c = -20", "temperature", "improbable"),
    ("conditions", "distance_m = 15", "distance", "in centimetres. write 0.15"),
    ("conditions", "listener_distance_m = 30", "listener_distance", "improbable"),
    ("device", "cabinet_mm = [60, 100, 50]", "cabinet", r"write \[600, 1000, 500\]"),
    ("device", "cabinet_mm = [400, 2400, 400]", "cabinet", "is it in mm"),
    ("device", "port_mm = { length = 2, diameter = 45 }", "port", "length of 2 mm"),
    ("calibration", "pascal_per_fs = 0.02", "full_scale", "60 dB SPL.* between 90 and 160"),
    ("calibration", "pascal_per_fs = 0.6", "full_scale", "90 dB SPL.* between 90 and 160"),
    ("calibration", "pascal_per_fs = 2100", "full_scale", "160 dB SPL"),
    ("calibration", 'mic_correction = "mic.txt"', "correction", r"\+25.0 dB at 20000 Hz"),
]


@pytest.mark.parametrize(("table", "line", "code", "says"), DOUBTED)
def test_what_is_improbable_is_doubted_in_one_line(
    table: str, line: str, code: str, says: str, tmp_path: Path
) -> None:
    (tmp_path / "mic.txt").write_text("20 0\n20000 25\n")
    (warning,) = session_doubts(read_session(session_of(tmp_path, table, line)))
    assert warning.code == f"improbable_{code}"
    with pytest.raises(InputError, match=says):
        raise InputError(warning_sentence(warning))
    assert "\n" not in warning_sentence(warning)


@pytest.mark.parametrize("pascal", ["1e-9", "2e5"])
def test_a_full_scale_that_cannot_be_is_refused(pascal: str, tmp_path: Path) -> None:
    session = read_session(session_of(tmp_path, "calibration", f"pascal_per_fs = {pascal}"))
    with pytest.raises(InputError, match=r"session\.toml: by pascal_per_fs = .* must lie between"):
        session_doubts(session)


def test_a_take_s_own_calibration_is_doubted_by_its_name(tmp_path: Path) -> None:
    (tmp_path / "wrong.json").write_text('{"pascal_per_fs": 0.02}')
    path = session_of(tmp_path, "calibration", "pascal_per_fs = 20.0")
    path.write_text(
        path.read_text() + TAKE.replace("axis", "port") + 'calibration = "wrong.json"\n'
    )
    (warning,) = session_doubts(read_session(path))
    assert (warning.code, warning.values["take"]) == ("improbable_full_scale", "port")


def test_an_ordinary_session_is_not_doubted(tmp_path: Path) -> None:
    path = session_of(
        tmp_path,
        "device",
        "cabinet_mm = [180, 240, 150]\nport_mm = { length = 120, diameter = 45 }\n[conditions]\n"
        "temperature_c = 18\ndistance_m = 0.01\nlistener_distance_m = 3\n[calibration]\n"
        "pascal_per_fs = 20",
    )
    assert session_doubts(read_session(path)) == []


# ── what a recording shows ─────────────────────────────────────────────────────────────────


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """One rung, 80 Hz to 16 kHz, with noise of −92 dBFS."""
    recipe = ladder_recipe(levels_dbfs=[-20], order=3)
    bench = Bench(tmp_path_factory.mktemp("doubts"), recipe)
    noise = np.random.default_rng(3).standard_normal(len(bench.waveform))
    noise *= 10 ** (-92 / 20) / np.sqrt(2)
    bench.record(0.5 * bench.waveform + noise, name="axis.wav")
    return bench


def results_of(bench: Bench, pascal: float, band: str) -> Results:
    line = f"pascal_per_fs = {pascal}\n[conditions]\nlevel_band_hz = {band}"
    return analyse(session_of(bench.folder, "calibration", line))


def codes(results: Results) -> list[str]:
    return [warning.code for warning in doubts(results)]


def doubts(results: Results) -> list[Warning_]:
    return [warning for warning in results.warnings if warning.code != "one_rung"]


def test_two_pascals_hundredths_make_an_impossible_background(bench: Bench) -> None:
    """By 0.02 Pa full scale is 60 dB SPL, and a noise of −92 dBFS is some −33 dB(A)."""
    results = results_of(bench, 0.02, "[300, 3000]")
    assert codes(results) == ["improbable_full_scale", "improbable_background"]
    assert "The background is −3" in doubts(results)[1].message
    assert "noise (5 dB(A)" in doubts(results)[1].message
    assert codes(results_of(bench, 20.0, "[300, 3000]")) == []


def test_a_level_band_that_was_measured_in_part_is_said(bench: Bench) -> None:
    results = results_of(bench, 20.0, "[40, 3000]")
    assert codes(results) == ["level_band_cut"]
    assert "40 to 3000 Hz, only 80 to 3000 Hz was measured" in doubts(results)[0].message
    assert results.takes[0].rungs[0].spl_db is not None
    said = " ".join(summary_sentences(results, results.takes[0])).replace("\xa0", " ")
    assert "the mean from 80 Hz to 3 kHz" in said


def test_a_level_band_that_was_not_measured_gives_no_level(bench: Bench) -> None:
    """It is no mean over everything, as it was."""
    results = results_of(bench, 20.0, "[17000, 19000]")
    assert codes(results) == ["level_band_outside"]
    assert results.takes[0].rungs[0].spl_db is None
    said = " ".join(summary_sentences(results, results.takes[0]))
    assert "No level in dB SPL is stated" in said and "Nothing was calibrated" not in said


@pytest.mark.parametrize(
    ("lines", "told"), [("1000 0.5\n2000 -0.5\n", True), ("25 0\n16000 1\n", False)]
)
def test_a_correction_that_ends_inside_the_band_is_said(
    lines: str, told: bool, tmp_path: Path
) -> None:
    (tmp_path / "mic.txt").write_text(lines)
    calibration = Calibration(mic=read_correction(tmp_path / "mic.txt"))
    settings = TakeSettings((20.0, 20000.0), 10, calibration.correction_db)
    found = take_doubts(None, settings, calibration.mic)
    assert [one.code for one in found] == (["correction_cut"] if told else [])
