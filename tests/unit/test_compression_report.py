"""The report's parts on compression: figures by their artists, sentences by their numbers."""

from __future__ import annotations

import csv
import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from protected_loudspeaker import TrueLimiter, TrueLoudspeaker, limited, with_noise
from staircase_bench import analysed

from distsweep.report import write_report, write_tables
from distsweep.report.agreement.figure import plot_agreement
from distsweep.report.clean_level.figure import plot_clean_level
from distsweep.report.limits.burst import plot_burst
from distsweep.report.limits.gain_map import gain_grid, plot_gain_map
from distsweep.report.limits.input_output import input_output, plot_input_output
from distsweep.report.limits.last_step import last_step_words
from distsweep.report.limits.sentences import staircase_sentences
from distsweep.results import Agreement, CleanLevel, Results, Take

RATE_HZ = 48000


def chain(waveform: np.ndarray) -> np.ndarray:
    held = limited(waveform, RATE_HZ, TrueLimiter(-18.0, 8.0, 6.0, 5.0, 200.0))
    heard = TrueLoudspeaker(third=-0.03).play(held, RATE_HZ)
    return with_noise(heard, np.random.default_rng(5), snr_db=50.0, loudest_rms=0.2)


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Results:
    return analysed(
        tmp_path_factory.mktemp("report"),
        chain,
        frequencies_hz=[1000, 250],
        levels_dbfs={"from": -40, "to": -4, "step": 3},
        hold_s=0.3,
        rest_s=0.2,
        release_s=1.5,
    )


@pytest.fixture
def take(results: Results) -> Take:
    return results.takes[0]


def line_with(figure: Any, label: str) -> list[Any]:
    return [line for axes in figure.axes for line in axes.lines if line.get_label() == label]


def test_the_map_has_a_cell_a_tone_and_level_and_its_steps(take: Take) -> None:
    grid = gain_grid(take)
    assert grid is not None
    frequency_hz, drives, change = grid
    assert list(frequency_hz) == [250.0, 1000.0]  # in order, whatever was played first
    figure = plot_gain_map(take)
    cells = [p for p in figure.axes[0].patches if p.get_x() < 2.0]
    assert len(cells) == change.size
    for column in (0, 1):
        (line,) = [
            step
            for step in line_with(figure, "_limit -3")
            if step.get_xdata()[0] == pytest.approx(column - 0.42)
        ]
        at = line.get_ydata()[0]
        assert np.interp(at, drives, change[:, column]) == pytest.approx(-3.0, abs=0.01)


def test_dots_are_levels_and_the_curve_is_the_fit(take: Take) -> None:
    figure = plot_input_output(take)
    row = next(row for row in take.staircase if row.frequency_hz == 1000.0)
    up = line_with(figure, "the way up")[1]
    assert up.get_ydata() - up.get_xdata() == pytest.approx(row.gain_change_db)
    curve = line_with(figure, "fitted curve")[1]
    # The fit and the dots part by no more than the fit says, three times over.
    drawn = np.interp(row.drive_dbfs, curve.get_xdata(), curve.get_ydata())
    assert row.limiter is not None and row.limiter.fit_rms_db is not None
    assert drawn == pytest.approx(up.get_ydata(), abs=3.0 * row.limiter.fit_rms_db + 0.02)


def test_the_burst_overshoots_and_settles_at_its_level(take: Take) -> None:
    figure = plot_burst(take)
    (first, whole) = line_with(figure, "level")
    row = next(row for row in take.staircase if row.frequency_hz == 1000.0)
    time, level = whole.get_data()
    settled = (time > 0.1) & (time < 0.28)
    assert np.median(level[settled]) == pytest.approx(row.level_db[-1], abs=0.05)
    linear_db = row.level_db[-1] - row.gain_change_db[-1]
    (dashed, _) = line_with(figure, "_without compression")
    assert dashed.get_ydata()[0] == pytest.approx(linear_db)
    # An attack of 5 ms: right after the start most of the gain is still there.
    early = level[(time > 0.0015) & (time < 0.003)]
    assert np.max(early) > row.level_db[-1] + 6.0
    assert first.get_xdata()[-1] == time[-1]
    figure.canvas.draw()  # ticks get their names
    ticks = [tick.get_text() for tick in first.axes.get_xticklabels()]
    places_ms = [1e3 * place for place in first.axes.get_xticks()]
    assert [float(text.replace("−", "-")) for text in ticks] == pytest.approx(places_ms)


def test_the_clean_level_tells_reached_from_at_least(take: Take) -> None:
    figure = plot_clean_level(take)
    panels = {
        axes.get_title(loc="left").replace("\N{NO-BREAK SPACE}", " "): axes for axes in figure.axes
    }
    clean = next(c for c in take.clean_level if (c.thd_percent, c.compression_db) == (10.0, 3.0))
    assert clean.limited_by == ["compression"] * 2
    axes = panels["10 % THD or 3 dB of compression"]
    bars = [line.get_ydata() for line in axes.lines if line.get_label() == "_reached"]
    # From left to right, whatever was played first.
    assert [float(bar[0]) for bar in bars] == pytest.approx(list(clean.level_db[::-1]))


def test_every_state_of_a_clean_level_has_a_shape_of_its_own(take: Take) -> None:
    frequency_hz = np.array([100.0, 125.0, 160.0, 200.0, 250.0])
    states = ["reached", "bracketed", "not reached", "below", "unknown"]
    nan = np.nan
    one = CleanLevel(
        thd_percent=1.0,
        compression_db=1.0,
        frequency_hz=frequency_hz,
        level_db=np.array([80.0, nan, 90.0, nan, nan]),
        low_db=np.array([79.0, 78.0, 90.0, nan, nan]),
        high_db=np.array([81.0, 84.0, nan, 70.0, nan]),
        drive_dbfs=np.array([-20.0, nan, -10.0, nan, nan]),
        drive_low_dbfs=np.array([-21.0, -22.0, -10.0, nan, nan]),
        drive_high_dbfs=np.array([-19.0, -16.0, nan, -30.0, nan]),
        state=states,
        limited_by=["thd", "thd", "", "thd", ""],
    )
    ladder = dataclasses.replace(
        take,
        frequency_hz=frequency_hz,
        staircase=[],
        clean_level=[],
        clean_level_third_octave=[one],
    )
    (axes,) = plot_clean_level(ladder).axes
    drawn = {str(line.get_label()): line for line in axes.lines}
    assert list(drawn["_reached"].get_ydata()) == [80.0, 80.0]
    assert (drawn["_not reached"].get_marker(), drawn["_below"].get_marker()) == ("^", "v")
    assert list(drawn["_not reached"].get_ydata()) == [90.0]
    assert list(drawn["_below"].get_ydata()) == [70.0]
    assert drawn["_unknown"].get_marker() == "x" and list(drawn["_unknown"].get_xdata()) == [250.0]
    (box,) = axes.patches
    assert box.get_hatch() and (box.get_y(), box.get_height()) == (78.0, 6.0)
    assert axes.get_xlabel() == "Excitation frequency, Hz"


def test_the_agreement_fills_only_what_is_reliable() -> None:
    found = [
        Agreement("axis", "l", "s", 100.0, -10.0, 0.1, 0.05, -40.0, -39.95, 50.0, True,
                  thd_difference_low_db=-0.25, thd_difference_high_db=0.35),
        Agreement("axis", "l", "s", 200.0, -20.0, 0.0, 0.90, -60.0, -59.10, 10.0, False),
    ]  # fmt: skip
    figure = plot_agreement(found)
    upper = figure.axes[0]
    bars = {
        tuple(end[1] for end in segment)
        for one in upper.collections
        if one.get_label() == "_interval"
        for segment in one.get_segments()
    }
    assert bars == {(-0.25, 0.35)}  # the second has no interval
    places = [line.get_xdata()[0] for line in upper.lines if line.get_marker() == "o"]
    assert places == pytest.approx([100.0, 200.0], rel=0.02) and places[0] > 100.0 > places[1] / 2.0
    marks = {
        line.get_label(): line.get_ydata()[0] for line in upper.lines if line.get_marker() == "o"
    }
    assert marks == {"_reliable": 0.05, "_uncertain": 0.90}
    assert upper.get_ylim()[1] < 0.9  # noise does not set the scale
    for axes in figure.axes:
        low, high = axes.get_ylim()
        seen = [tick for tick in axes.get_yticks() if low <= tick <= high]
        assert len(seen) >= 4  # a difference of a tenth of a decibel can be read off


def test_sentences_say_from_where_how_much_and_how_fast(take: Take) -> None:
    text = " ".join(staircase_sentences(take)).replace("\N{NO-BREAK SPACE}", " ")
    assert "limiter at 250 Hz and 1 kHz" in text
    assert "with a ratio of 8.0:1 and a threshold of −18.0 dBFS" in text
    assert "attack 5" in text and "release 2" in text
    # 8:1: the last 3 dB of drive bring three eighths of a decibel.
    assert "The last 3 dB of drive, up to −4 dBFS, brought 0.4 dB in the median" in text
    assert "by compression" in text


def test_two_levels_or_nothing_is_said(take: Take) -> None:
    bare = dataclasses.replace(take, staircase=[])
    assert gain_grid(bare) is None and last_step_words(bare) is None
    assert input_output(bare) == []
    for draw in (plot_gain_map, plot_input_output, plot_burst):
        with pytest.raises(ValueError, match="take has no"):
            draw(bare)


def test_page_and_tables_hold_the_staircase(tmp_path: Path) -> None:
    fresh = analysed(
        tmp_path / "s", chain, frequencies_hz=[1000], levels_dbfs=[-30, -20, -12, -4],
        hold_s=0.3, rest_s=0.2, release_s=1.0,
    )  # fmt: skip
    page = write_report(fresh, tmp_path / "report").read_text(encoding="utf-8")
    for name in ("gain-map", "input-output", "burst", "clean-level"):
        assert f'id="figure.axis-{name}"' in page
        assert (tmp_path / "report" / "figures" / f"axis-{name}.svg").is_file()
    assert "What holds each tone back" in page
    tables = write_tables(fresh, tmp_path / "tables")
    names = [path.name for path in tables]
    assert names[0] == "axis-staircase.csv" and "axis-clean-level.csv" in names
    assert "axis-thd-percent.csv" in names and "axis-distortion.csv" not in names
    with tables[0].open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    row = fresh.takes[0].staircase[0]
    assert [float(r["level_db"]) for r in rows] == pytest.approx(row.level_db, rel=1e-5)
    # An empty cell where noise leaves nothing of it.
    third = [float(r["h3_db"] or "nan") for r in rows]
    assert third == pytest.approx(row.harmonics[3], rel=1e-5, nan_ok=True)
