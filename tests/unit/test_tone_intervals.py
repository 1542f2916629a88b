"""Intervals of tones: gain changes against the truth, in files, in tables, in figures and words."""

from __future__ import annotations

import csv
import dataclasses
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from protected_loudspeaker import TrueLimiter, limited
from report_samples import sample_take, with_intervals
from staircase_bench import analysed

from distsweep.analysis.agreement.levels import compare_takes
from distsweep.report.limits.input_output import plot_input_output
from distsweep.report.limits.limiter_words import difference_words, last_change_words
from distsweep.report.limits.sentences import staircase_sentences
from distsweep.report.tables import write_tables
from distsweep.results import Results, Staircase, Take, read_results, write_results

RATE_HZ = 48000
TONES_HZ = [200, 260, 310, 390, 500, 630, 810, 1000, 1250, 1610, 2010, 2490, 3100, 3990, 5010, 6270]


@pytest.fixture(scope="module")
def noisy(tmp_path_factory: pytest.TempPathFactory) -> Results:
    """A loudspeaker whose gain never changes, at 30 dB or so above its noise."""
    rng = np.random.default_rng(2)
    return analysed(
        tmp_path_factory.mktemp("noisy"),
        lambda x: 0.3 * x + 0.004 * x**2 + rng.normal(0.0, 0.02, len(x)),
        frequencies_hz=TONES_HZ, levels_dbfs={"from": -40, "to": -4, "step": 3},
        hold_s=0.2, rest_s=0.1, release_s=0.3, quiet_s=3.0,
    )  # fmt: skip


@pytest.fixture
def take(noisy: Results) -> Take:
    return noisy.takes[0]


def others_than_reference(row: Staircase) -> Any:
    known = np.isfinite(row.gain_change_db)
    return known & (row.drive_dbfs != row.reference_drive_dbfs)


def test_intervals_of_gain_changes_hold_the_truth_and_are_no_wider_than_need_be(take: Take) -> None:
    held, widths, ideal = [], [], []
    for row in take.staircase:
        known = others_than_reference(row)
        held += list(
            (row.gain_change_low_db <= 0.0)[known] & (row.gain_change_high_db >= 0.0)[known]
        )
        widths += list((row.gain_change_high_db - row.gain_change_low_db)[known])
        reference = row.drive_dbfs == row.reference_drive_dbfs
        assert row.gain_change_low_db[reference] == row.gain_change_high_db[reference] == 0.0
        assert np.array_equal(np.isnan(row.gain_change_low_db), np.isnan(row.gain_change_db))
        # What the noise of a burst does to a level's part in step with it, of both levels.
        above_db = row.level_db - row.level_floor_db
        sigma_db = 8.686 * np.sqrt(0.5) * 10.0 ** (-above_db / 20.0)
        ideal += list(2.0 * 1.96 * np.hypot(sigma_db, sigma_db[reference])[known])
    assert len(held) > 100
    # 95 % are asked for; a tone's gain changes share the error of one reference, so that 16 tones
    # count for little more than 16 independent trials.
    assert np.mean(held) >= 0.85
    # Student's quantile of the silence's few degrees of freedom widens it.
    assert 1.0 < np.median(np.array(widths) / np.array(ideal)) < 1.3


def test_errors_of_both_levels_add_as_squares(take: Take) -> None:
    row = take.staircase[0]
    at, reference = -1, int(np.flatnonzero(row.drive_dbfs == row.reference_drive_dbfs)[0])
    down = np.sqrt(
        (row.level_db[at] - row.level_low_db[at]) ** 2
        + (row.level_high_db[reference] - row.level_db[reference]) ** 2
    )
    assert row.gain_change_low_db[at] == pytest.approx(row.gain_change_db[at] - down)
    assert down > 1.4 * (row.level_db[at] - row.level_low_db[at])


def test_files_keep_the_ends_and_older_ones_have_none(noisy: Results, tmp_path: Path) -> None:
    path = tmp_path / "results.json"
    write_results(noisy, path)
    row, again = noisy.takes[0].staircase[0], read_results(path).takes[0].staircase[0]
    np.testing.assert_allclose(again.gain_change_low_db, row.gain_change_low_db, atol=6e-5)
    np.testing.assert_allclose(again.gain_change_high_db, row.gain_change_high_db, atol=6e-5)
    data = json.loads(path.read_text(encoding="utf-8"))
    for tone in data["takes"][0]["staircase"]:
        for name in [name for name in tone if name.endswith(("_low_db", "_high_db"))]:
            del tone[name]
    path.write_text(json.dumps(data), encoding="utf-8")
    older = read_results(path)
    former = older.takes[0].staircase[0]
    assert former.gain_change_low_db.size == former.gain_change_high_db.size == 0
    assert last_change_words(
        former
    ) == f"{former.gain_change_db[-1]:.1f}\N{NO-BREAK SPACE}dB".replace("-", "−")
    assert not bars(plot_input_output(older.takes[0]))
    (table,) = [p for p in write_tables(older, tmp_path) if p.name == "axis-staircase.csv"]
    line = rows_of(table)[-1]
    assert line["gain_change_db"] and line["h2_db"]
    assert {line[name] for name in line if "_low_" in name or "_high_" in name} == {""}


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_staircase_table_has_the_ends_beside_each_value(noisy: Results, tmp_path: Path) -> None:
    (path,) = [p for p in write_tables(noisy, tmp_path) if p.name == "axis-staircase.csv"]
    lines = iter(rows_of(path))
    bounded = 0
    for row in noisy.takes[0].staircase:
        for i in range(len(row.drive_dbfs)):
            line = next(lines)
            values = {
                name: getattr(row, name)[i]
                for name in (
                    "level_low_db", "level_high_db", "gain_change_low_db", "gain_change_high_db",
                    "thd_low_db", "thd_high_db",
                )
            }  # fmt: skip
            values["h2_low_db"] = row.harmonics_low_db[2][i]
            values["h2_high_db"] = row.harmonics_high_db[2][i]
            values["thd_high_percent"] = 100.0 * 10.0 ** (row.thd_high_db[i] / 20.0)
            for name, value in values.items():
                if np.isfinite(value):
                    assert float(line[name]) == pytest.approx(value, rel=1e-5), name
                else:
                    assert line[name] == "", name
            bounded += bool(line["thd_high_db"] and not line["thd_low_db"])
    assert next(lines, None) is None and bounded > 10


def bars(figure: Any) -> list[Any]:
    return [
        one for axes in figure.axes for one in axes.collections if one.get_label() == "_interval"
    ]


def test_a_dot_has_a_bar_where_its_interval_is_longer(take: Take) -> None:
    row = take.staircase[3]
    figure = plot_input_output(dataclasses.replace(take, staircase=[row]))
    (bar,) = bars(figure)
    drawn = {float(x): (float(low), float(high)) for (x, low), (_, high) in bar.get_segments()}
    low, high = figure.axes[0].get_ylim()
    dot_db = 2.6 * (high - low) / (72.0 * 3.0)  # of 3 inches of height
    expected = {
        float(drive): (float(drive + down), float(drive + up))
        for drive, down, up in zip(
            row.drive_dbfs, row.gain_change_low_db, row.gain_change_high_db, strict=True
        )
        if up - down >= dot_db
    }
    assert drawn.keys() == expected.keys() and len(drawn) > 5
    for drive, ends in expected.items():
        assert drawn[drive] == pytest.approx(ends)


def test_words_on_a_tone_say_no_more_than_noise_leaves_known(tmp_path: Path) -> None:
    """The same limiter, heard in little noise and in much."""
    limiter = TrueLimiter(-18.0, 8.0, 6.0, 5.0, 200.0)
    said = {}
    for noise in (1e-6, 0.045):
        rng = np.random.default_rng(4)
        results = analysed(
            tmp_path / f"{noise}",
            lambda x, noise=noise, rng=rng: limited(x, RATE_HZ, limiter)
            + rng.normal(0.0, noise, len(x)),
            frequencies_hz=[1000], levels_dbfs={"from": -40, "to": -4, "step": 3},
            hold_s=0.2, rest_s=0.1, release_s=1.0, quiet_s=3.0,
        )  # fmt: skip
        (row,) = results.takes[0].staircase
        assert row.limiter is not None
        words = " ".join(staircase_sentences(results.takes[0]))
        said[noise] = [
            text.replace("\N{NO-BREAK SPACE}", " ")
            for text in (words, last_change_words(row, decimals=2), difference_words(row),
                         row.limiter.evidence[0])
        ]  # fmt: skip
        half = (row.gain_change_high_db - row.gain_change_low_db)[-1] / 2.0
        assert half <= 0.05 if noise < 1e-3 else 0.5 < half < 1.5
    clear, hidden = said.values()
    # 14 dB above the threshold a ratio of 8:1 takes 12.25 dB.
    assert re.search(r": −12\.\d dB at −4 dBFS", clear[0])
    assert re.search(r": about −1\d dB at −4 dBFS", hidden[0])
    assert re.fullmatch(r"−12\.\d\d dB", clear[1]) and re.fullmatch(r"about −1\d dB", hidden[1])
    assert re.fullmatch(r"[−\d]\d*\.\d\d dB", clear[2]) and re.fullmatch(r"≈ −?\d dB", hidden[2])
    assert re.search(r"falls by 12\.\d\d dB", clear[3])
    assert re.search(r"falls by about 1\d dB", hidden[3])


def test_a_ladder_and_a_staircase_differ_by_what_both_are_known_to(take: Take) -> None:
    ladder = with_intervals(sample_take(levels_dbfs=(-22.0, -10.0), noise_db=15.0))
    found = compare_takes(ladder, take)
    assert len(found) == 2 * len(TONES_HZ)
    for item in found:
        (row,) = [one for one in take.staircase if one.frequency_hz == item.frequency_hz]
        (rung,) = [one for one in ladder.rungs if one.drive_dbfs == item.drive_dbfs]
        on = int(np.flatnonzero(np.isclose(row.drive_dbfs, item.drive_dbfs))[0])
        above = int(np.searchsorted(ladder.frequency_hz, item.frequency_hz))
        up = max((rung.fundamental_db - rung.fundamental_low_db)[above - 1 : above + 1])
        reach = np.hypot(row.level_high_db[on] - row.level_db[on], up)
        assert item.level_difference_high_db - item.level_difference_db == pytest.approx(reach)


def test_an_order_without_anything_leaves_the_others_to_be_compared(take: Take) -> None:
    ladder = with_intervals(sample_take(levels_dbfs=(-10.0,), noise_db=-40.0))
    row = take.staircase[7]
    nothing = np.full(row.drive_dbfs.shape, np.nan)
    alone = dataclasses.replace(
        row,
        harmonics={2: np.full(nothing.shape, -50.0), 3: nothing},
        harmonics_low_db={2: np.full(nothing.shape, -51.0), 3: np.full(nothing.shape, -np.inf)},
        harmonics_high_db={2: np.full(nothing.shape, -49.0), 3: np.full(nothing.shape, -60.0)},
    )
    (item,) = compare_takes(ladder, dataclasses.replace(take, staircase=[alone]))
    assert item.staircase_thd_db == pytest.approx(-50.0)
    power, high, third = (10.0 ** (level / 10.0) for level in (-50.0, -49.0, -60.0))
    up_db = 10.0 * np.log10(power + np.hypot(high - power, third)) + 50.0
    # The ladder's own part is next to nothing: its noise lies 40 dB lower than its samples' usual.
    assert item.thd_difference_high_db - item.thd_difference_db == pytest.approx(up_db, abs=0.02)
