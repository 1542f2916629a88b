"""``compare``: what is shown, which files it leaves, and what it is given that it can't use."""

from __future__ import annotations

import dataclasses
import html
import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result
from conftest import Bench, ladder_recipe, long

import distsweep
from distsweep import report
from distsweep.cli import group
from distsweep.comparison.record import Comparison, Difference, Finding, Source
from distsweep.file_sets import LIST_NAME
from distsweep.results import write_results

SESSION = (
    '[device]\nname = "Ostrel Fen 3"\n[conditions]\ndistance_m = 1.0\ntemperature_c = 20.0\n'
    "[calibration]\npascal_per_fs = 20.0\n"
    '[[takes]]\nposition = "axis"\nstimulus = "short.json"\nrecording = "axis.wav"\n'
)
FILTERS = '[[filters]]\nkind = "peaking"\nfrequency_hz = 1000\ngain_db = 3\nq = 1\n'


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two sessions, analysed: the second gives 1.5 dB more. Not to be changed."""
    place = tmp_path_factory.mktemp("pair")
    for number, gain in ((1, 0.5), (2, 0.5 * 10.0 ** (1.5 / 20.0))):
        folder = place / f"unit-{number}"
        folder.mkdir()
        bench = Bench(folder, ladder_recipe(levels_dbfs=[-30, -24, -18], order=3))
        wave = gain * (bench.waveform + 0.02 * bench.waveform**2)
        noise = 1e-5 * np.random.default_rng(number).standard_normal(len(wave))
        bench.record(wave + noise, name="axis.wav")
        (folder / "session.toml").write_text(SESSION)
        (folder / "results").mkdir()
        write_results(distsweep.analyse(folder), folder / "results" / "results.json")
    return place


@pytest.fixture
def units(pair: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with ``unit-1`` and ``unit-2``, which is the current one; nothing is drawn in it."""

    def write_page(_comparison: Any, _sources: Any, folder: Path, **_: Any) -> Path:
        folder.mkdir(parents=True)
        (folder / "report.html").write_text("<html>")
        return folder / "report.html"

    def write_csv(_comparison: Any, _sources: Any, folder: Path, **chosen: Any) -> list[Path]:
        folder.mkdir(parents=True)
        (folder / "differences.csv").write_text("a;b" if chosen["decimal_comma"] else "a,b")
        return [folder / "differences.csv"]

    for what in ("comparison", "filter"):
        monkeypatch.setattr(report, f"write_{what}_report", write_page, raising=False)
        monkeypatch.setattr(report, f"write_{what}_tables", write_csv, raising=False)
    shutil.copytree(pair, tmp_path / "units")
    monkeypatch.chdir(tmp_path / "units")
    return tmp_path / "units"


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(group, ["compare", *map(str, arguments)])


def left(folder: Path) -> set[str]:
    files = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
    return files - {LIST_NAME}


WHOLE = {"comparison.json", "tables/differences.csv", "report/report.html"}


def test_what_differs_is_shown_and_written_beside_the_first_session(units: Path) -> None:
    ran = run("unit-1", "unit-2")
    assert ran.exit_code == 0, ran.output
    folder = units / "unit-1-and-unit-2"
    assert left(folder) == WHOLE
    lines = ran.output.replace("\N{NO-BREAK SPACE}", " ").splitlines()
    (first,) = [line for line in lines if line.startswith("1. ")]
    assert "1.50 ± " in first and "louder" in first  # as the second session was made
    assert any(line.startswith("conditions: ") and "nothing else moved" in line for line in lines)
    assert lines[-1] == f"report: {folder / 'report' / 'report.html'}"
    told = json.loads((folder / "comparison.json").read_text())
    assert [one["name"] for one in told["sources"]] == ["unit-1", "unit-2"]
    assert [one["place"] for one in told["sources"]] == ["unit-1", "unit-2"]
    assert first == f"1. {told['findings'][0]['sentence']}".replace("\N{NO-BREAK SPACE}", " ")
    sizes = [abs(one["difference_db"]) for one in told["findings"] if one["difference_db"]]
    assert sizes == sorted(sizes, reverse=True)
    assert left(units / "unit-1" / "results") == {"results.json"}


def test_of_many_findings_the_largest_are_shown(
    units: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from distsweep.cli import compare as module

    assert "that differ less" not in run("unit-1", "unit-2", "--no-report").output
    monkeypatch.setattr(module, "MOST_SHOWN", 0)
    ran = run("unit-1", "unit-2", "--no-report")
    assert "\n1. " not in ran.output and "1 that differ less" in ran.output


def test_where_nothing_differs_that_is_said(units: Path) -> None:
    shutil.copytree("unit-1", "again")
    ran = run("unit-1", "again", "--no-report")
    assert "Nothing differs beyond doubt." in ran.output
    assert "made of the very same recordings" in ran.output


def test_json_on_stdout_is_all_that_is_there(units: Path) -> None:
    before = left(units)
    ran = CliRunner().invoke(group, ["compare", "unit-1", "unit-2", "--no-report", "--json", "-"])
    first = ran.output.index("{")
    told, _ = json.JSONDecoder().raw_decode(ran.output[first:])
    assert told["schema"] == "distsweep.comparison/1"
    assert left(units) == before


def test_json_goes_to_the_file_named(units: Path) -> None:
    ran = run("unit-1", "unit-2", "-o", "out", "--json", "own.json", "--decimal-comma")
    assert ran.exit_code == 0 and "comparison: own.json" in ran.output
    assert left(units / "out") == WHOLE - {"comparison.json"}
    assert (units / "out" / "tables" / "differences.csv").read_text() == "a;b"
    again = run("unit-1", "unit-2", "-o", "out", "--json", "out/../out/comparison.json")
    assert again.exit_code == 0 and left(units / "out") == WHOLE


def test_an_earlier_comparison_is_replaced_whole_and_others_files_stay(units: Path) -> None:
    assert run("unit-1", "unit-2", "-o", "out").exit_code == 0
    (units / "out" / "tables" / "own.csv").write_text("mine")
    ran = run("unit-1", "unit-2", "-o", "out", "--no-report")
    assert "removed: 2 file(s) of an earlier comparison" in ran.output
    assert left(units / "out") == {"comparison.json", "tables/own.csv"}


def test_a_comparison_written_by_itself_is_replaced(units: Path) -> None:
    assert run("unit-1", "unit-2", "--json", "out/comparison.json", "--no-report", "-o",
               "elsewhere").exit_code == 0  # fmt: skip
    assert run("unit-1", "unit-2", "-o", "out").exit_code == 0
    assert left(units / "out") == WHOLE


def test_an_analysis_and_a_comparison_keep_out_of_each_other_s_folders(units: Path) -> None:
    runner = CliRunner()
    assert runner.invoke(group, ["analyse", "unit-1", "--no-report"]).exit_code == 0
    before = (units / "unit-1" / "results" / "results.json").read_bytes()
    ran = run("unit-1", "unit-2", "-o", "unit-1/results")
    assert ran.exit_code == 3
    assert "holds what an analysis has left, and this is a comparison" in ran.output
    assert (units / "unit-1" / "results" / "results.json").read_bytes() == before
    assert run("unit-1", "unit-2", "-o", "out").exit_code == 0
    ran = runner.invoke(group, ["analyse", "unit-1", "-o", "out", "--no-report"])
    assert ran.exit_code == 3
    assert "holds what a comparison has left, and this is an analysis" in ran.output
    assert left(units / "out") == WHOLE


def test_what_fails_leaves_the_former_comparison(
    units: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert run("unit-1", "unit-2", "-o", "out").exit_code == 0
    (units / "out" / "comparison.json").write_text('{"schema": "distsweep.comparison/1"}')

    def fail(*_: Any, **__: Any) -> Path:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(report, "write_comparison_report", fail)
    ran = run("unit-1", "unit-2", "-o", "out")
    assert ran.exit_code == 3 and "No space left" in ran.output
    assert left(units / "out") == WHOLE
    assert "sources" not in (units / "out" / "comparison.json").read_text()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["unit-1"], "give two RESULTS or more"),
        (["unit-1", "unit-2", "--filters", "eq.toml"], "--filters goes with one RESULTS"),
        (["unit-1", "--filters", "eq.toml", "--at-equal", "spl"], "--at-equal goes with two"),
        (["unit-1", "unit-2", "--levels-spl", "80"], "--levels-spl goes with --filters"),
        (["unit-1", "unit-2", "--style", "s.toml", "--no-report"], "leave --no-report out"),
        (["unit-1", "unit-2", "--at-equal", "loudness"], "loudness"),
        ([], "Missing argument"),
    ],
)
def test_wrong_usage_is_told(units: Path, arguments: list[str], said: str) -> None:
    ran = run(*arguments)
    assert ran.exit_code == 2 and said in ran.output


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["unit-1", "missing"], "missing: is not there"),
        (["missing", "unit-1", "-o", "unit-1/session.toml/x"], "missing: is not there"),
        (["unit-1", "unit-1/results"], "is given twice"),
        (["unit-1", "."], "is no session, and holds 2 (unit-1 and unit-2)"),
        (["unit-1", "empty"], "empty: holds no results.json and no session.toml"),
        (["unit-1", "unit-1/axis.wav"], "is a recording: analyse it first"),
        (["unit-1", "unit-1/short.json"], "holds a file of 'distsweep.stimulus/1', and no"),
        (["unit-1", "unit-2", "--json", "unit-1/session.toml"], "is no JSON file of distsweep.co"),
        (["unit-1", "unit-2", "--json", "unit-1/results/results.json"], "is no JSON file of"),
        (["unit-1", "unit-2", "-o", "unit-1/session.toml/x"], "cannot be"),
        (["unit-1", "unit-2", "--style", "missing.toml"], "missing.toml"),
        (["unit-1", "--filters", "missing.toml"], "missing.toml"),
        (["unit-1", "--filters", "eq.toml", "--levels-spl", "loud"], "levels 'loud': write"),
        (["unit-1", "--filters", "unit-1/axis.wav"], "axis.wav"),
        (["unit-1", "--filters", "unit-1/session.toml"], "session.toml"),
    ],
    ids=range(15),
)
def test_what_cannot_be_used_is_one_line_and_nothing_is_written(
    units: Path, arguments: list[str], said: str
) -> None:
    (units / "empty").mkdir()
    (units / "eq.toml").write_text(FILTERS)
    before = left(units)
    ran = run(*arguments)
    assert ran.exit_code == 3, ran.output
    assert said in ran.output
    assert ran.output.startswith("distsweep: ") and len(ran.output.splitlines()) == 1
    assert left(units) == before


def test_a_comparison_is_no_source(units: Path) -> None:
    assert run("unit-1", "unit-2", "-o", "out", "--no-report").exit_code == 0
    for given in ("out", "out/comparison.json"):
        ran = run("unit-1", given)
        assert ran.exit_code == 3 and "holds a comparison, and no results" in ran.output


def test_a_session_that_was_not_analysed_is_analysed_and_that_is_said(units: Path) -> None:
    shutil.rmtree("unit-2/results")
    ran = run("unit-1", "unit-2", "--no-report", "-o", "out")
    assert "take 'axis'" in ran.output
    assert "conditions: unit-2 held no results, and was analysed now." in ran.output
    told = json.loads((units / "out" / "comparison.json").read_text())
    assert "unit-2 held no results, and was analysed now." in told["conditions"]


def again(unit: str, *, by_db: float = 0.0, seed: int = 9) -> str:
    """Record the first loudspeaker once more, and louder; its session is not analysed."""
    shutil.copytree("unit-1", unit)
    shutil.rmtree(f"{unit}/results")
    sound, rate_hz = soundfile.read(f"{unit}/axis.wav")
    noise = 1e-5 * np.random.default_rng(seed).standard_normal(len(sound))
    louder = sound * 10.0 ** (by_db / 20.0) + noise
    soundfile.write(f"{unit}/axis.wav", louder, rate_hz, subtype="FLOAT")
    return unit


def changed(unit: str, old: str, new: str) -> None:
    text = Path(f"{unit}/session.toml").read_text()
    assert old in text
    Path(f"{unit}/session.toml").write_text(text.replace(old, new))


def test_at_twice_the_distance_the_same_loudspeaker_is_the_same(units: Path) -> None:
    """A free field's pressure falls as 1/r: half of it at 2 m, 6.02 dB."""
    changed(again("far", by_db=-6.0206), "distance_m = 1.0", "distance_m = 2.0")
    ran = run("unit-1", "far", "--no-report")
    assert ran.exit_code == 0, ran.output
    assert "moved by +6.0" in ran.output and "Nothing differs beyond doubt." in ran.output
    changed("far", "distance_m = 2.0\n", "")
    assert "quieter" in run("unit-1", "far", "--no-report").output


def test_calibrations_that_differ_leave_small_differences_open(units: Path) -> None:
    again("other", by_db=0.3)
    assert "0.30 ± " in run("unit-1", "other", "--no-report").output
    changed("other", "pascal_per_fs = 20.0", "pascal_per_fs = 20.001")
    ran = run("unit-1", "other", "--no-report")
    assert "Calibrations differ" in ran.output
    assert "Nothing differs beyond doubt." in ran.output


def test_without_a_calibration_on_one_side_distortion_is_compared(units: Path) -> None:
    changed(again("other", by_db=3.0), "pascal_per_fs = 20.0", "")
    ran = run("unit-1", "other", "--no-report", "-o", "out")
    assert ran.exit_code == 0, ran.output
    assert "in dB SPL in unit-1 and in dBFS in other: they are not compared" in ran.output
    assert "Nothing differs beyond doubt." in ran.output
    told = json.loads((units / "out" / "comparison.json").read_text())
    known = {one["quantity"] for one in told["differences"]
             if any(value is not None for value in one["difference_db"])}  # fmt: skip
    assert {"thd", "h2"} <= known and "fundamental" not in known
    ran = run("unit-1", "other", "--at-equal", "spl")
    assert ran.exit_code == 3 and "other: has levels in dBFS" in ran.output


def test_what_repeats_differ_by_is_no_finding(units: Path) -> None:
    """The first is recorded three times at one position, 0.4 dB up and down from the first time."""
    take = SESSION[SESSION.index("[[takes]]") :]
    for number, by_db in ((2, 0.4), (3, -0.4)):
        again("repeat", by_db=by_db, seed=number)
        shutil.copy("repeat/axis.wav", f"unit-1/axis-{number}.wav")
        shutil.rmtree("repeat")
    again("nearly", by_db=0.7)
    again("louder", by_db=4.0)
    assert "0.70 ± " in run("unit-1", "nearly", "--no-report").output
    more = "".join(take.replace("axis.wav", f"axis-{number}.wav") for number in (2, 3))
    changed("unit-1", take, take + more)
    shutil.rmtree("unit-1/results")
    ran = run("unit-1", "nearly", "--no-report")
    assert "unit-1 at “axis” 3 times (± 0.80" in ran.output
    assert "Nothing differs beyond doubt." in ran.output
    ran = run("louder", "unit-1", "--no-report")
    assert "quieter at the same drive, more than repeats differ by" in ran.output
    assert "if nothing" not in ran.output


@pytest.mark.parametrize(
    ("option", "aligned"),
    [("drive", "drive"), ("band-spl", "band"), ("spl", "each frequency")],
)
def test_what_is_equal_can_be_chosen(units: Path, option: str, aligned: str) -> None:
    ran = run("unit-1", "unit-2", "--at-equal", option, "--no-report", "-o", "out")
    assert ran.exit_code == 0, ran.output
    assert json.loads((units / "out" / "comparison.json").read_text())["aligned"] == aligned


def test_filters_are_tried_on_one(units: Path) -> None:
    (units / "eq.toml").write_text(FILTERS)
    ran = run("unit-1", "--filters", "eq.toml", "--decimal-comma")
    assert ran.exit_code == 0, ran.output
    folder = units / "unit-1-with-eq"
    assert left(folder) == {*WHOLE, "filters.json"}
    assert (folder / "tables" / "differences.csv").read_text() == "a;b"
    assert f"filters: {folder / 'filters.json'}" in ran.output
    told = json.loads((folder / "comparison.json").read_text())
    assert told["schema"] == "distsweep.comparison/1"
    assert told["sources"][0]["place"] == "unit-1"
    tried = json.loads((folder / "filters.json").read_text())
    assert tried["schema"] == "distsweep.filters/1"
    assert tried["filters"][0]["kind"] == "peaking"


def test_filters_are_tried_at_the_levels_asked_for(units: Path) -> None:
    (units / "eq.toml").write_text(FILTERS)
    ran = run("unit-1", "--filters", "eq.toml", "--levels-spl", "88 and 92", "-o", "out",
              "--no-report")  # fmt: skip
    assert ran.exit_code == 0, ran.output
    tried = json.loads((units / "out" / "filters.json").read_text())
    levels = [at["level_db"] for at in tried["takes"][0]["filtered"][0]["at_levels"]]
    assert levels == [88.0, 92.0]


def test_filters_leave_nothing_where_a_comparison_is_written_next(units: Path) -> None:
    (units / "eq.toml").write_text(FILTERS)
    assert run("unit-1", "--filters", "eq.toml", "-o", "out").exit_code == 0
    assert run("unit-1", "unit-2", "-o", "out").exit_code == 0
    assert left(units / "out") == WHOLE


def test_in_the_library_results_are_compared_and_written(units: Path) -> None:
    one, two = (distsweep.read_results(f"unit-{n}/results/results.json") for n in (1, 2))
    comparison = distsweep.compare(one, two)
    assert isinstance(comparison, distsweep.Comparison)
    distsweep.write_comparison(comparison, units / "new" / "comparison.json")
    told = json.loads((units / "new" / "comparison.json").read_text())
    assert len(told["differences"]) == len(comparison.differences)
    (units / "eq.toml").write_text(FILTERS)
    tried = distsweep.with_filters(one, distsweep.read_filters(units / "eq.toml"))
    assert tried.comparison.sources[0].name
    with pytest.raises(ValueError, match="two results or more"):
        distsweep.compare(one)


@pytest.mark.parametrize("with_filters", [False, long(True)])
def test_page_and_tables_are_those_of_what_was_compared(
    pair: Path, tmp_path: Path, with_filters: bool
) -> None:
    """Nothing is stood in for here."""
    (tmp_path / "eq.toml").write_text(FILTERS)
    given = [pair / "unit-2"] if with_filters else [pair / "unit-2", pair / "unit-1"]
    options = ["--filters", tmp_path / "eq.toml"] if with_filters else []
    ran = run(*given, *options, "-o", tmp_path / "out")
    assert ran.exit_code == 0, ran.output
    page = (tmp_path / "out" / "report" / "report.html").read_text()
    told = json.loads((tmp_path / "out" / "comparison.json").read_text())
    assert told["findings"]
    for finding in told["findings"]:
        assert html.escape(finding["sentence"], quote=False) in page
    assert {"findings.csv", "sources.csv"} <= {
        path.name for path in (tmp_path / "out" / "tables").iterdir()
    }


def lines_of_contract() -> Iterator[tuple[type, set[str]]]:
    """Yield the keys of ``comparison.json`` that scripts rely on (contract), by their record."""
    yield Comparison, {"schema", "sources", "differences", "findings", "not_compared"}
    yield Difference, {
        "quantity", "position", "frequency_hz", "difference_db", "low_db", "high_db"
    }  # fmt: skip
    yield Finding, {
        "sentence", "quantity", "low_hz", "high_hz", "difference_db", "low_db", "high_db"
    }  # fmt: skip
    yield Source, {"name"}


def test_the_keys_that_scripts_rely_on_are_there(units: Path) -> None:
    assert run("unit-1", "unit-2", "--no-report", "-o", "out").exit_code == 0
    told = json.loads((units / "out" / "comparison.json").read_text())
    tables = {
        Comparison: [told], Difference: told["differences"], Finding: told["findings"],
        Source: told["sources"],
    }  # fmt: skip
    for record, keys in lines_of_contract():
        assert tables[record], record
        assert all(keys <= set(one) for one in tables[record])
        assert keys <= {field.name for field in dataclasses.fields(record)}
    for one in told["differences"]:
        lengths = {len(one[key]) for key in ("frequency_hz", "difference_db", "low_db", "high_db")}
        assert len(lengths) == 1
    assert "NaN" not in (units / "out" / "comparison.json").read_text()
