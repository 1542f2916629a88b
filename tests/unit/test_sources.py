"""What is compared is found wherever it lies, and what holds no results is named in one line."""

from __future__ import annotations

import dataclasses
import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from conftest import Bench, ladder_recipe
from report_samples import sample_results

from distsweep.errors import InputError
from distsweep.results import Results, to_json, write_results
from distsweep.sources import read_source, read_sources, short_names
from distsweep.takes.bundle_packing import write_bundle
from distsweep.takes.session import read_session

SESSION = (
    '[device]\nname = "Ostrel Fen 3"\n[[takes]]\nposition = "axis"\nstimulus = "short.json"\n'
    'recording = "axis.wav"\n'
)


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session of one rung that was not analysed; not to be changed."""
    folder = tmp_path_factory.mktemp("recorded")
    bench = Bench(folder, ladder_recipe(levels_dbfs=[-20], order=3))
    noise = 1e-5 * np.random.default_rng(3).standard_normal(len(bench.waveform))
    bench.record(0.5 * bench.waveform + noise, name="axis.wav")
    (folder / "session.toml").write_text(SESSION)
    return folder


@pytest.fixture
def session(recorded: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(recorded, tmp_path / "unit 1"))


def named(name: str) -> Results:
    results = sample_results()
    return dataclasses.replace(results, device=dataclasses.replace(results.device, name=name))


def in_file(path: Path, name: str = "Ostrel Fen 3") -> Path:
    write_results(named(name), path)
    return path


def older(path: Path, by_s: float = 100.0) -> None:
    os.utime(path, (path.stat().st_atime, path.stat().st_mtime - by_s))


@pytest.mark.parametrize("given", ["results.json", ".", "..", "../session.toml"])
def test_results_are_found_from_each_place(session: Path, given: str) -> None:
    in_file(session / "results" / "results.json")
    source = read_source(session / "results" / given)
    assert source.file.name == "results.json"
    assert source.results.device.name == "Ostrel Fen 3"
    assert source.notes == ()


def test_results_in_the_session_s_own_folder_are_read(session: Path) -> None:
    in_file(session / "results.json", "from here")
    assert read_source(session).results.device.name == "from here"


@pytest.mark.parametrize("changed", ["axis.wav", "short.json", "session.toml"])
def test_what_was_changed_since_the_analysis_is_named(session: Path, changed: str) -> None:
    file = in_file(session / "results" / "results.json")
    for name in {"axis.wav", "short.json", "session.toml"} - {changed}:
        older(session / name)
    older(file, 50.0)
    (note,) = read_source(session).notes
    assert f"{changed} was changed after {file} was written" in note
    assert read_source(file).notes == ()  # who names the file means that file


def test_a_correction_that_was_changed_since_is_named_too(session: Path) -> None:
    (session / "mic.txt").write_text("20 0\n20000 0\n")
    (session / "session.toml").write_text(f'[calibration]\nmic_correction = "mic.txt"\n{SESSION}')
    file = in_file(session / "results" / "results.json")
    for name in ("axis.wav", "short.json", "session.toml"):
        older(session / name)
    older(file, 50.0)
    (note,) = read_source(session).notes
    assert f"mic.txt was changed after {file} was written" in note


def test_a_session_without_results_is_analysed(session: Path) -> None:
    steps: list[str] = []
    source = read_source(session, progress=steps.append)
    assert steps == ["take 'axis'"]
    assert source.results.takes[0].position == "axis"
    assert source.notes == (f"{session} held no results, and was analysed now.",)
    assert not (session / "results").exists()


def test_a_bundle_s_results_are_read(session: Path, tmp_path: Path) -> None:
    path = tmp_path / "unit.zip"
    results = tmp_path / "results.json"
    results.write_text(to_json(named("as packed")) + "\n")
    write_bundle(path, read_session(session), named("as packed"), result_files={
        "results.json": results})  # fmt: skip
    assert read_source(path).results.device.name == "as packed"
    damaged = tmp_path / "damaged.zip"
    damaged.write_bytes(path.read_bytes()[:-200])
    with pytest.raises(InputError, match=r"damaged\.zip: bundle is damaged or cut off"):
        read_source(damaged)


def recording(folder: Path) -> Path:
    path = folder / "axis.wav"
    path.write_bytes(b"RIFF")
    return path


def no_text(folder: Path) -> Path:
    (folder / "a.json").write_bytes(b"\xff\xfe{")
    return folder / "a.json"


def two_sessions(folder: Path) -> Path:
    for name in ("left", "right"):
        (folder / name).mkdir()
        (folder / name / "session.toml").write_text("")
    return folder


def written(name: str, text: str) -> Callable[[Path], Path]:
    def write(folder: Path) -> Path:
        (folder / name).write_text(text)
        return folder / name

    return write


def comparison_folder(folder: Path) -> Path:
    written("comparison.json", '{"schema": "distsweep.comparison/1"}')(folder)
    return folder


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda folder: folder / "missing", "missing: is not there"),
        (lambda folder: folder, "holds no results.json and no session.toml: give a results.json"),
        (two_sessions, r"is no session, and holds 2 \(left and right\): give each by itself"),
        (recording, "axis.wav: is a recording: analyse it first"),
        (written("a.json", "{"), "a.json: is not JSON"),
        (no_text, "a.json: is not JSON"),
        (written("a.json", "[1, 2]"), "a.json: schema is None"),
        (written("a.json", '{"schema": "distsweep.results/9"}'), "this version reads"),
        (written("a.json", '{"schema": "distsweep.results/2"}'), "a.json: is damaged"),
        (written("a.json", '{"schema": "distsweep.comparison/1"}'), "holds a comparison, and no"),
        (comparison_folder, "holds a comparison, and no results"),
        (written("a.json", '{"schema": "distsweep.inspection/1"}'), "'distsweep.inspection/1'"),
        (written("a.toml", "[[filters]]\n"), "a.toml: "),
        (written("a.zip", "PK"), "a.zip: "),
        (lambda _: Path("/dev/null"), "is no file"),
    ],
    ids=range(15),
)
def test_what_holds_no_results_is_named_in_one_line(
    make: Callable[[Path], Path], said: str, tmp_path: Path
) -> None:
    with pytest.raises(InputError, match=said) as raised:
        read_source(make(tmp_path))
    assert "\n" not in str(raised.value)


def test_many_sessions_in_a_folder_are_not_all_listed(tmp_path: Path) -> None:
    for number in range(7):
        (tmp_path / f"unit-{number}").mkdir()
        (tmp_path / f"unit-{number}" / "session.toml").write_text("")
    with pytest.raises(InputError, match=r"holds 7 \(unit-0, unit-1, unit-2 …\)"):
        read_source(tmp_path)


def test_the_same_file_by_two_names_is_refused(session: Path) -> None:
    file = in_file(session / "results" / "results.json")
    for other in (session, session / "results", session / "results" / ".." / "results"):
        with pytest.raises(InputError, match="is given twice"):
            read_sources([file, other])


@pytest.mark.parametrize(
    ("places", "names"),
    [
        ({"a.json": "Fen 3", "b.json": "Fen 4"}, ["Fen 3", "Fen 4"]),
        ({"a.json": "Fen 3", "b.json": "fen 3"}, ["a", "b"]),
        ({"a.json": "", "b.json": "Fen 4"}, ["a", "b"]),
        ({"u1/results/results.json": "", "u2/results/results.json": ""}, ["u1", "u2"]),
        ({"u1-results/results.json": "", "u2-results/results.json": ""}, ["u1", "u2"]),
        ({"u1/results/results.json": "", "u1.json": ""}, ["u1", "u1.json"]),
        ({"u1/a.json": "", "u2/a.json": ""}, ["u1/a", "u2/a"]),
        ({"u1/x/a.json": "", "u2/x/a.json": ""}, ["a (1)", "a (2)"]),
    ],
    ids=lambda value: None if isinstance(value, dict) else "-".join(value).replace("/", "."),
)
def test_names_are_short_and_all_different(
    places: dict[str, str], names: list[str], tmp_path: Path
) -> None:
    files = [in_file(tmp_path / place, name) for place, name in places.items()]
    assert short_names(read_sources(files)) == names


def test_results_as_text_are_those_in_a_file(tmp_path: Path) -> None:
    file = in_file(tmp_path / "results.json")
    assert json.loads(to_json(read_source(file).results)) == json.loads(file.read_text())


def test_a_file_of_filters_is_no_source(tmp_path: Path) -> None:
    path = tmp_path / "shelf.toml"
    path.write_text('[[filters]]\nkind = "low shelf"\nfrequency_hz = 80\ngain_db = 5\n')
    with pytest.raises(InputError, match="is a file of filters: give it with --filters"):
        read_source(path)
