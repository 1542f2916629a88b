"""Tables for a spreadsheet: what stands in which column, what is left empty, decimal commas."""

from __future__ import annotations

import csv
import dataclasses
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from capture_bench import run_main
from conftest import Demo
from report_samples import sample_results, sample_take, with_intervals

from distsweep import report
from distsweep.report import write_tables
from distsweep.report.csv_text import as_csv, with_decimal_comma
from distsweep.report.limits.csv_tables import LIMIT_COLUMNS
from distsweep.report.tables import all_tables
from distsweep.result_files import _OF_A_SESSION, _OF_A_TAKE
from distsweep.results import AtSpl, HarmonicAtSpl, Results, Take
from distsweep.units import db_to_percent


def table(results: Results, name: str) -> tuple[list[str], list[list[str]]]:
    """Return a table's headings and its rows."""
    texts = dict(all_tables(results))
    headings, *rows = csv.reader(texts[name].splitlines())
    assert all(len(row) == len(headings) for row in rows)
    return headings, rows


def numbers(results: Results, name: str) -> tuple[list[str], np.ndarray]:
    headings, rows = table(results, name)
    cells = [[float(cell) if cell else math.nan for cell in row] for row in rows]
    return headings, np.array(cells)


@pytest.fixture(scope="module")
def noisy() -> Take:
    """A ladder of which noise hides much, with intervals, its loudest rung clipped in part."""
    take = with_intervals(sample_take(noise_db=12.0, points=90, levels_dbfs=(-30.0, -20.5, -10.0)))
    loudest = dataclasses.replace(take.rungs[2], clipped=True)
    return dataclasses.replace(take, rungs=[*take.rungs[:2], loudest])


def test_values_stand_first_then_low_ends_then_high_ends(noisy: Take) -> None:
    results = sample_results(noisy)
    headings, cells = numbers(results, "axis-thd-db")
    spl = [f"{rung.spl_db:.1f}" for rung in noisy.rungs]
    levels = [f"-30 dBFS ({spl[0]} dB SPL)", f"-20.5 dBFS ({spl[1]} dB SPL)",
              f"-10 dBFS ({spl[2]} dB SPL, clipped)"]  # fmt: skip
    assert headings == [
        "Frequency Hz",
        *(f"THD dB at {level}" for level in levels),
        *(f"THD dB, low end, at {level}" for level in levels),
        *(f"THD dB, high end, at {level}" for level in levels),
    ]
    np.testing.assert_allclose(cells[:, 0], noisy.frequency_hz, atol=5e-4)
    hidden = 0
    for index, rung in enumerate(noisy.rungs):
        shown = np.where(rung.thd_reliable, rung.thd_db, np.nan)
        np.testing.assert_allclose(cells[:, 1 + index], shown, atol=0.0051)
        for block, end in ((4, rung.thd_low_db), (7, rung.thd_high_db)):
            known = np.where(rung.thd_reliable | (not rung.clipped), end, np.nan)
            expected = np.where(np.isfinite(known), known, np.nan)
            np.testing.assert_allclose(cells[:, block + index], expected, atol=0.0051)
        hidden += int(np.sum(~rung.thd_reliable))
    assert 20 < hidden < 250  # some of both


def test_percent_and_decibels_say_the_same(noisy: Take) -> None:
    results = sample_results(noisy)
    headings, percent = numbers(results, "axis-thd-percent")
    assert headings[1].startswith("THD % at -30 dBFS")
    _, db = numbers(results, "axis-thd-db")
    exact = np.asarray(db_to_percent(db[:, 1:]))
    np.testing.assert_allclose(percent[:, 1:], exact, rtol=0.0012, atol=1e-5)  # half of 0.01 dB


def test_each_quantity_has_its_table(noisy: Take) -> None:
    results = sample_results(noisy)
    assert noisy.compression is not None
    _, gain = numbers(results, "axis-gain-change-db")
    change_db = noisy.compression.gain_change_db[2]
    shown = np.isfinite(gain[:, 3])
    assert shown.any()
    np.testing.assert_allclose(gain[shown, 3], change_db[shown], atol=0.0051)
    headings, level = numbers(results, "axis-fundamental-db")
    assert headings[1].startswith("Level dB SPL at -30 dBFS")
    shown = np.isfinite(level[:, 1])
    np.testing.assert_allclose(level[shown, 1], noisy.rungs[0].fundamental_db[shown], atol=0.0051)
    for order in range(2, 11):
        headings, cells = numbers(results, f"axis-h{order}-db")
        assert headings[2].startswith(f"H{order} dB at -20.5 dBFS")
        curve = noisy.rungs[1].harmonics[order]
        expected = np.where(curve.reliable, curve.level_db, np.nan)
        np.testing.assert_allclose(cells[:, 2], expected, atol=0.0051)


def test_headings_and_cells_are_plain_for_every_spreadsheet(noisy: Take) -> None:
    """No heading begins with a sign that makes it a formula; every cell of numbers is one."""
    for name, text in all_tables(sample_results(noisy)):
        headings, *rows = csv.reader(text.splitlines())
        assert len(set(headings)) == len(headings), name
        assert not any(heading.startswith(("=", "+", "-", "@")) for heading in headings)
        assert "nan" not in text.lower() and "inf" not in text.lower().replace("infinite", "")
        if re.search(r"-(db|percent|onset)$", name):
            assert all(re.fullmatch(r"(-?\d+\.\d+)?", cell) for row in rows for cell in row), name


def test_results_without_intervals_and_levels_have_values_alone() -> None:
    take = sample_take(points=10, levels_dbfs=(-20.0, -10.0), calibrated=False)
    headings, cells = numbers(sample_results(take), "axis-h2-db")
    assert headings == ["Frequency Hz", "H2 dB at -20 dBFS", "H2 dB at -10 dBFS"]
    assert cells.shape == (10, 3)
    del take.rungs[0].harmonics[10]
    _, cells = numbers(sample_results(take), "axis-h10-db")
    assert np.isnan(cells[:, 1]).all()


def test_stated_levels_have_tables() -> None:
    f = np.array([100.0, 1000.0, 10000.0])

    def at(spl_db: float, meaning: str) -> AtSpl:
        low, high = np.array([-31.0, -60.0, np.nan]), np.array([-29.0, -40.0, np.nan])
        value = np.array([-30.0, -50.0, np.nan])
        drive = np.array([-20.0, -19.0, np.nan])
        return AtSpl(spl_db, meaning, f, drive, drive - 1, drive + 1, value, low, high,
                     {2: HarmonicAtSpl(value - 1, low - 1, high - 1)})  # fmt: skip

    stated = [at(80.0, "band"), at(80.0, "each frequency"), at(92.5, "band")]
    take = sample_take(points=3, levels_dbfs=(-10.0,))
    results = sample_results(dataclasses.replace(take, at_spl=stated))
    headings, cells = numbers(results, "axis-thd-at-spl-percent")
    assert headings[:5] == [
        "Frequency Hz", "THD % at 80 dB SPL in the level band",
        "THD % at 80 dB SPL at each frequency", "THD % at 92.5 dB SPL in the level band",
        "THD %, low end, at 80 dB SPL in the level band",
    ]  # fmt: skip
    assert cells[0, 1] == pytest.approx(3.16228, abs=1e-5)
    assert np.isnan(cells[1, 1]) and cells[1, 4] == pytest.approx(0.1)  # 10 dB to either side
    assert np.isnan(cells[2, 1:]).all()
    _, harmonics = numbers(results, "axis-h2-at-spl-db")
    assert harmonics[0, 1] == -31.0
    _, drives = numbers(results, "axis-drive-at-spl-dbfs")
    assert drives[:2, 1].tolist() == [-20.0, -19.0]
    assert numbers(results, "axis-thd-at-spl-db")[1][0, 3] == -30.0


def test_a_session_is_summed_up(demo: Demo) -> None:
    results = demo.results
    headings, rows = table(results, "summary")
    ladders = [take for take in results.takes if take.rungs]
    assert len(rows) == sum(len(take.rungs) for take in ladders)
    loudest = dict(zip(headings, rows[len(ladders[0].rungs) - 1], strict=True))
    rung = ladders[0].rungs[-1]
    assert loudest["position"] == "axis" and loudest["clipped"] == "false"
    assert float(loudest["spl_db"]) == pytest.approx(rung.spl_db, abs=0.001)
    thirds = rung.thd_third_octave
    assert thirds is not None
    known = thirds.high_db - thirds.low_db <= 3.0
    highest = float(np.max(db_to_percent(thirds.thd_db[known])))
    assert float(loudest["highest_thd_percent"]) == pytest.approx(highest, rel=1e-4)
    share = float(np.mean(rung.thd_reliable))
    assert float(loudest["thd_reliable_share"]) == pytest.approx(share, abs=1e-5)
    assert float(loudest["largest_loss_db"]) < -3.0  # the woofer's limiter


def test_limits_resonances_and_background_have_tables(demo: Demo) -> None:
    results = demo.results
    headings, rows = table(results, "limits")
    assert tuple(headings) == LIMIT_COLUMNS
    tones = [row for take in results.takes for row in take.staircase]
    found = [dict(zip(headings, row, strict=True)) for row in rows]
    of_tones = [row for row in found if row["from"] == "staircase"]
    assert [float(row["tone_hz"]) for row in of_tones] == [tone.frequency_hz for tone in tones]
    for row, tone in zip(of_tones, tones, strict=True):
        assert row["kind"] == ("" if tone.limiter is None else tone.limiter.kind)
        assert row["band_low_hz"] == ""
        if tone.limiter is not None and tone.limiter.threshold_dbfs is not None:
            threshold_dbfs = tone.limiter.threshold_dbfs
            assert float(row["threshold_dbfs"]) == pytest.approx(threshold_dbfs, rel=1e-5)
        if tone.onset_dbfs is not None:
            assert float(row["onset_dbfs"]) == pytest.approx(tone.onset_dbfs, rel=1e-5)
    ladder = [one for take in results.takes for one in take.limiters]
    assert [row["kind"] for row in found if row["from"] == "ladder"] == [one.kind for one in ladder]
    headings, rows = table(results, "resonances")
    assert [float(row[0]) for row in rows] == pytest.approx(
        [resonance.frequency_hz for resonance in results.resonances], rel=1e-5
    )
    assert [row[headings.index("kind")] for row in rows] == [r.kind for r in results.resonances]
    _, rows = table(results, "background")
    background = results.takes[0].background
    assert background is not None
    hum = [float(row[3]) for row in rows if row[2] == "hum" and row[1] == rows[0][1]]
    assert hum == pytest.approx([tone.frequency_hz for tone in background.hum], rel=1e-5)
    assert {row[5] for row in rows} == {"dB SPL"}


def test_tones_stand_down_and_drives_across(demo: Demo) -> None:
    take = next(take for take in demo.results.takes if take.staircase)
    headings, cells = numbers(demo.results, "axis-2-thd-db")
    tones = sorted(take.staircase, key=lambda tone: tone.frequency_hz)
    assert cells[:, 0] == pytest.approx([tone.frequency_hz for tone in tones])
    drives = tones[0].drive_dbfs
    assert headings[1] == f"THD dB at {drives[0]:.6g} dBFS"
    for row, tone in zip(cells, tones, strict=True):
        expected = np.where(tone.thd_reliable, tone.thd_db, np.nan)
        np.testing.assert_allclose(row[1 : 1 + len(drives)], expected, atol=0.0051)
    parts: dict[str, Any] = {}
    for name, value in vars(tones[0]).items():
        if isinstance(value, np.ndarray) and len(value) == len(drives):
            parts[name] = value[1:]
        elif isinstance(value, dict):
            parts[name] = {order: part[1:] for order, part in value.items()}
    some = dataclasses.replace(tones[0], **parts)
    fewer = dataclasses.replace(take, staircase=[*tones[1:], some], position="odd")
    _, cells = numbers(sample_results(fewer), "odd-gain-change-db")
    assert np.isnan(cells[0, 1]) and np.isfinite(cells[1:, 1]).all()


def test_clean_levels_and_onsets_have_wide_tables(demo: Demo) -> None:
    headings, rows = table(demo.results, "axis-clean-level-by-limit")
    take = demo.results.takes[0]
    clean = next(c for c in take.clean_level_third_octave
                 if c.compression_db is not None and c.thd_percent == 3.0)  # fmt: skip
    at = next(i for i, heading in enumerate(headings) if heading.startswith("State at 3 % THD"))
    assert [row[at] for row in rows] == clean.state
    at = next(i for i, h in enumerate(headings) if h.startswith("Level dB SPL at 3 % THD"))
    for row, state, level_db in zip(rows, clean.state, clean.level_db, strict=True):
        assert (row[at] != "") == (state == "reached" and np.isfinite(level_db))
        if row[at]:
            assert float(row[at]) == pytest.approx(level_db, abs=0.0051)
    headings, cells = numbers(demo.results, "axis-onset")
    assert "fallen by 0.5 dB" in headings[1]
    assert take.compression is not None
    np.testing.assert_allclose(cells[:, 1], take.compression.onset_dbfs, atol=0.0051)


def test_names_of_tables_never_meet(demo: Demo) -> None:
    names = [name for name, _ in all_tables(demo.results)]
    endings = {re.sub(r"^(axis-2|axis|woofer|tweeter)-", "", name) for name in names}
    endings |= {"thd-at-spl-db", "thd-at-spl-percent", "h2-at-spl-db", "drive-at-spl-dbfs"}
    assert len(set(names)) == len(names)
    for one in endings:  # no position that ends like a table's name makes two names one
        assert not any(other.endswith(f"-{one}") for other in endings)
        assert _OF_A_TAKE.fullmatch(one) or f"{one}.csv" in _OF_A_SESSION, one


def test_a_decimal_comma_changes_numbers_and_nothing_else(noisy: Take, tmp_path: Path) -> None:
    named = dataclasses.replace(noisy, position="v1.5; left, 2.0 m")
    results = sample_results(named)
    points = write_tables(results, tmp_path / "point")
    commas = write_tables(results, tmp_path / "comma", decimal_comma=True)
    assert [path.name for path in points] == [path.name for path in commas]
    for point, comma in zip(points, commas, strict=True):
        with point.open(encoding="utf-8", newline="") as a, comma.open(encoding="utf-8") as b:
            before, after = list(csv.reader(a)), list(csv.reader(b, delimiter=";"))
        assert len(before) == len(after)
        for row, changed in zip(before[1:], after[1:], strict=True):
            for cell, other in zip(row, changed, strict=True):
                number = re.fullmatch(r"-?\d+(\.\d+)?(e[-+]\d+)?", cell)
                assert other == (cell.replace(".", ",") if number else cell)
        for cell, other in zip(before[0], after[0], strict=True):
            assert other == re.sub(r"(\d)\.(\d+) dB", r"\1,\2 dB", cell)
    text = (tmp_path / "comma" / "summary.csv").read_text(encoding="utf-8")
    assert '"v1.5; left, 2.0 m"' in text


def test_cells_that_are_no_numbers_keep_their_points() -> None:
    text = as_csv([["a", "at -20.5 dBFS (90.1 dB SPL)"], ["1.5", "v1.5"], ["1e-07", "1.2e-07"],
                   ["2.0.1", "a;b"], ["", "-0.25"]])  # fmt: skip
    assert with_decimal_comma(text).splitlines() == [
        "a;at -20,5 dBFS (90,1 dB SPL)", "1,5;v1.5", "1e-07;1,2e-07", '2.0.1;"a;b"', ";-0,25",
    ]  # fmt: skip


@pytest.mark.parametrize("name", ["a\rb", "a\nb", '";\r\n,"', "=1.5", "\r"])
def test_names_with_line_ends_stay_in_their_cell(name: str) -> None:
    text = as_csv([["position", "drive"], [name, "1.5"], ["axis", "-2.5"]])
    for form, mark in ((text, ","), (with_decimal_comma(text), ";")):
        table = list(csv.reader(form.splitlines(keepends=True), delimiter=mark))
        assert [row[0] for row in table[1:]] == [name.replace("\r", " "), "axis"]
        assert [row[1].replace(",", ".") for row in table[1:]] == ["1.5", "-2.5"]


def test_the_command_writes_decimal_commas(
    demo: Demo, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Figures, which take seconds, are left out."""
    monkeypatch.setattr(report, "write_report", lambda *_, **__: None, raising=False)
    out = tmp_path / "out"
    ran = run_main("analyse", str(demo.folder), "-o", str(out), "--decimal-comma")
    assert ran.exit_code == 0, ran.stderr
    first = (out / "tables" / "axis-thd-percent.csv").read_text(encoding="utf-8").splitlines()[1]
    assert first.startswith("20,000;")
    count = len(list((out / "tables").glob("*.csv")))
    assert f"tables: {count} in {out / 'tables'}" in ran.stderr
