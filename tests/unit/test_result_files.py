"""What ``analyse`` leaves in a folder is always of one analysis."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import numpy as np
import pytest
from capture_bench import Ran, run_main
from conftest import Bench, ladder_recipe

from distsweep import report
from distsweep.errors import InputError
from distsweep.file_sets import LIST_NAME
from distsweep.results import Results

TAKE = '[[takes]]\nposition = "{0}"\nstimulus = "short.json"\nrecording = "axis.wav"\n'


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    bench = Bench(tmp_path_factory.mktemp("stale"), ladder_recipe(levels_dbfs=[-20], order=3))
    noise = 1e-5 * np.random.default_rng(3).standard_normal(len(bench.waveform))
    bench.record(0.5 * bench.waveform + noise, name="axis.wav")
    return bench.folder


@pytest.fixture
def session(recorded: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A session's folder; the report's pictures, which take seconds, are empty files."""

    def write_report(results: Results, folder: Path, *, workers: int = 1) -> Path:
        (folder / "figures").mkdir(parents=True)
        names = [f"{take.position}-thd" for take in results.takes]
        for name in names:
            (folder / "figures" / f"{name}.svg").write_text("")
        page = "".join(f'<figure id="figure.{name}">' for name in names)
        (folder / "report.html").write_text(page)
        return folder / "report.html"

    monkeypatch.setattr(report, "write_report", write_report, raising=False)
    folder = tmp_path / "session"
    folder.mkdir()
    for name in ("short.json", "axis.wav"):
        shutil.copy(recorded / name, folder)
    return folder


def analyse(session: Path, *positions: str, options: tuple[str, ...] = ()) -> Ran:
    (session / "session.toml").write_text("".join(TAKE.format(name) for name in positions))
    return run_main("analyse", str(session), *options)


def left(session: Path) -> set[str]:
    results = session / "results"
    files = {p.relative_to(results).as_posix() for p in results.rglob("*") if p.is_file()}
    return files - {LIST_NAME}


AXIS = {
    "results.json", "tables/axis-distortion.csv", "report/report.html",
    "report/figures/axis-thd.svg",
}  # fmt: skip
PORT = {name.replace("axis", "port") for name in AXIS}


def of_kind(files: set[str]) -> set[str]:
    """Leave out tables besides the distortion's, which may come to be."""
    return {n for n in files if not n.endswith(".csv") or n.endswith("-distortion.csv")}


def test_without_a_report_none_of_an_earlier_analysis_is_left(session: Path) -> None:
    assert analyse(session, "axis").exit_code == 0
    assert of_kind(left(session)) == AXIS
    own = {"notes.txt", "report/notes.txt", "report/figures/own.svg", "tables/own.csv"}
    for name in own:
        (session / "results" / name).write_text("mine")
    ran = analyse(session, "port", options=("--no-report",))
    assert ran.exit_code == 0 and "of an earlier analysis" in ran.stderr
    assert left(session) == {"results.json", *own}
    assert all((session / "results" / name).read_text() == "mine" for name in own)
    assert analyse(session, "axis").exit_code == 0  # the user's files are no obstacle
    assert of_kind(left(session) - own) == AXIS


def test_fewer_takes_leave_no_tables_and_figures_of_others(session: Path) -> None:
    assert analyse(session, "axis", "port").exit_code == 0
    assert of_kind(left(session)) == AXIS | PORT
    ran = analyse(session, "axis")
    assert of_kind(left(session)) == AXIS
    for word in ("results: ", "tables: ", "report: "):
        assert sum(line.startswith(word) for line in ran.stderr.splitlines()) >= 1


def test_results_that_go_elsewhere_leave_no_older_ones_beside_the_report(session: Path) -> None:
    assert analyse(session, "axis").exit_code == 0
    elsewhere = session / "elsewhere.json"
    assert analyse(session, "axis", options=("--json", str(elsewhere))).exit_code == 0
    assert of_kind(left(session)) == AXIS - {"results.json"}
    assert json.loads(elsewhere.read_text())["takes"]


def test_results_that_go_elsewhere_alone_touch_nothing(session: Path) -> None:
    assert analyse(session, "axis").exit_code == 0
    before = left(session)
    ran = analyse(session, "port", options=("--json", "-", "--no-report"))
    assert json.loads(ran.stdout)["takes"][0]["position"] == "port"
    assert left(session) == before


def test_the_same_place_by_its_name_is_the_same_place(session: Path) -> None:
    place = str(session / "results" / ".." / "results" / "results.json")
    assert analyse(session, "axis", options=("--json", place)).exit_code == 0
    assert of_kind(left(session)) == AXIS


def test_what_fails_leaves_the_former_results(
    session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert analyse(session, "axis").exit_code == 0
    results = session / "results"
    before = {p: p.read_bytes() for p in results.rglob("*") if p.is_file()}

    def unchanged() -> bool:
        return {p: p.read_bytes() for p in results.rglob("*") if p.is_file()} == before

    (session / "axis.wav").rename(session / "gone.wav")
    assert analyse(session, "port").exit_code == 3
    assert unchanged()
    (session / "gone.wav").rename(session / "axis.wav")

    def fail(*_given: object, **_more: object) -> Path:
        raise InputError("no room")

    monkeypatch.setattr(report, "write_report", fail)
    ran = analyse(session, "port")
    assert ran.exit_code == 3 and ran.stderr.splitlines()[-1] == "distsweep: no room"
    assert unchanged()


def test_what_a_version_without_a_list_has_left_goes_too(session: Path) -> None:
    """A copy that the user made of a table is told from it by its name."""
    assert analyse(session, "axis", "port").exit_code == 0
    results = session / "results"
    (results / LIST_NAME).unlink()
    shutil.copy(results / "tables" / "axis-distortion.csv", results / "tables" / "copy.csv")
    (results / "report" / "figures" / "own.svg").write_text("mine")
    assert analyse(session, "axis", options=("--no-report",)).exit_code == 0
    assert left(session) == {"results.json", "tables/copy.csv", "report/figures/own.svg"}


def contents(folder: Path) -> dict[Path, bytes]:
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def refused(session: Path, says: str, *options: str) -> None:
    """Analyse; expect one line before any recording is read, and nothing changed."""
    (session / "session.toml").write_text(TAKE.format("axis"))
    before = contents(session)
    ran = run_main("analyse", str(session), *options)
    assert ran.exit_code == 3 and ran.stdout == "", ran
    (line,) = ran.stderr.splitlines()
    assert line.startswith("distsweep: ") and says in line, line
    assert contents(session) == before


@pytest.mark.parametrize(
    "name", ["axis.wav", "short.json", "session.toml", "notes.txt", "own.json"]
)
def test_results_replace_no_other_file(name: str, session: Path) -> None:
    (session / "notes.txt").write_text("mine")
    (session / "own.json").write_text('{"schema": 3}')
    place = str(session / name)
    refused(session, f"{name}: is there, and is no JSON file of", "--no-report", "--json", place)


def test_results_replace_results_and_what_is_empty(session: Path) -> None:
    place = session / "results.json"
    place.touch()
    for position in ("axis", "port"):
        assert analyse(session, position, options=("--json", str(place))).exit_code == 0
        assert json.loads(place.read_text())["takes"][0]["position"] == position


def test_a_pipe_is_written_to_wherever_it_stands() -> None:
    ends = os.pipe()
    place = f"/dev/fd/{ends[1]}"  # in a folder that nobody can write
    ran = run_main("exposure", "--level", "85", "--minutes", "10", "--json", place)
    assert ran.exit_code == 0, ran
    assert json.loads(os.read(ends[0], 100000))["exposures"]
    for end in ends:
        os.close(end)


def test_doses_replace_doses_only(session: Path) -> None:
    (session / "session.toml").write_text(TAKE.format("axis"))
    before = contents(session)
    plan = ("exposure", "--level", "85", "--minutes", "10", "--json")
    for name in ("session.toml", "axis.wav", "short.json"):
        ran = run_main(*plan, str(session / name))
        assert ran.exit_code == 3 and len(ran.stderr.splitlines()) == 1
    assert contents(session) == before
    for _ in range(2):
        assert run_main(*plan, str(session / "doses.json")).exit_code == 0


@pytest.mark.parametrize("what", ["a file", "a dangling link", "below a file"])
def test_a_folder_that_cannot_be_is_named_first(what: str, session: Path) -> None:
    place = session / "results"
    if what == "a dangling link":
        place.symlink_to(session / "nowhere")
    else:
        place.write_text("mine")
    below = place / "below" if what == "below a file" else place
    where = ("-o", str(below)) if what == "below a file" else ()
    refused(session, f"{below}: cannot be written", *where)
    file = str(below / "x.json")
    refused(session, f"{file}: cannot be written", "--no-report", "--json", file)


@pytest.mark.parametrize("name", ["results.json", "report/report.html", LIST_NAME])
@pytest.mark.parametrize("without_a_report", [False, True])
def test_files_of_another_program_stay(name: str, without_a_report: bool, session: Path) -> None:
    place = session / "out" / name
    place.parent.mkdir(parents=True)
    place.write_text('{"files": ["notes.txt"]}')
    if without_a_report and name == "report/report.html":
        ran = analyse(session, "axis", options=("-o", str(session / "out"), "--no-report"))
        assert ran.exit_code == 0 and "removed" not in ran.stderr
        assert place.read_text() == '{"files": ["notes.txt"]}'
    else:
        more = ("--no-report",) if without_a_report else ()
        refused(session, f"{name}: is no", "-o", str(session / "out"), *more)
