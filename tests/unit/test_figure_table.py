"""The table behind a figure: which rows it has, and how each kind of value is written."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from distsweep.report.content import Cell, Table
from distsweep.report.figure_data import Curve, FigureData
from distsweep.report.figure_table import UNKNOWN, figure_table

GRID_HZ = np.geomspace(20.0, 20000.0, 480)
THIRDS = [
    "20", "25", "31.5", "40", "50", "63", "80", "100", "125", "160", "200", "250", "315", "400",
    "500", "630", "800", "1k", "1.25k", "1.6k", "2k", "2.5k", "3.15k", "4k", "5k", "6.3k", "8k",
    "10k", "12.5k", "16k", "20k",
]  # fmt: skip
"""Nominal frequencies of thirds of an octave (IEC 61260-1:2014)."""


def curve(x: Any, values: Any, *ends: Any, name: str = "−10 dBFS", **more: Any) -> Curve:
    return Curve("rung-0", name, "THD, dB re fundamental", np.asarray(x), values, *ends, **more)


def table(*curves: Curve, across: str = "frequency") -> Table:
    return figure_table(FigureData(across, list(curves)))


def first_words(found: Table) -> list[str]:
    return [row[0].text.replace("\N{NO-BREAK SPACE}", " ") for row in found.rows]


def written(value: float, low: float = math.nan, high: float = math.nan, **more: Any) -> Cell:
    """The cell of one value; a second curve keeps the row where nothing is known."""
    x, ends = np.array([100.0]), ([low], [high])
    one = curve(x, np.array([value]), *map(np.array, ends), **more)
    cell = table(one, curve(x, np.array([0.0]))).rows[0][1]
    return Cell(*(t.replace("\N{NO-BREAK SPACE}", " ") for t in (cell.text, cell.below)), cell.pale)


def test_a_sweep_has_a_row_a_third_of_an_octave_with_the_nearest_point() -> None:
    found = table(curve(GRID_HZ, np.log10(GRID_HZ)))
    names = [t.replace(" kHz", "k").removesuffix(" Hz") for t in first_words(found)]
    assert names == THIRDS
    for row, name in zip(found.rows, THIRDS, strict=True):
        nominal_hz = float(name.rstrip("k")) * (1000.0 if name.endswith("k") else 1.0)
        assert float(row[1].text) == pytest.approx(math.log10(nominal_hz), abs=0.06)
    assert "thirds of an octave" in found.caption and "interval" not in found.caption


def test_a_narrow_figure_has_a_row_a_twelfth() -> None:
    f = GRID_HZ[(GRID_HZ > 600.0) & (GRID_HZ < 1700.0)]
    found = table(curve(f, np.zeros(f.size)), across="heard")
    assert found.columns[0] == "Frequency heard"
    assert len(found.rows) == 18  # 1.5 octaves
    assert "1 kHz" in first_words(found)


def test_few_points_stand_with_all_of_them_and_the_grid_beside_them() -> None:
    tones = curve([63.0, 1000.0, 250.0], np.array([1.0, 2.0, 3.0]), name="tones")
    found = table(tones, curve(GRID_HZ, np.full(480, 9.0)))
    assert first_words(found) == ["63 Hz", "250 Hz", "1 kHz"]
    assert [[cell.text for cell in row[1:]] for row in found.rows] == [
        ["1.0", "9.0"], ["3.0", "9.0"], ["2.0", "9.0"],
    ]  # fmt: skip


def test_drives_that_are_the_same_share_a_row() -> None:
    found = table(
        curve([-20.0, -10.0], np.array([1.0, 2.0])),
        curve([-20.02, -14.0], np.array([3.0, 4.0])),
        across="drive",
    )
    assert first_words(found) == ["−20 dBFS", "−14 dBFS", "−10 dBFS"]
    assert [row[1:] for row in found.rows] == [
        [Cell("1.0"), Cell("3.0")], [UNKNOWN, Cell("4.0")], [Cell("2.0"), UNKNOWN],
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("last_s", "step_ms"), [(0.02, 1.0), (0.05, 2.0), (0.1, 5.0), (3.0, 200.0)]
)
def test_time_goes_in_round_steps_and_no_more_than_thirty(last_s: float, step_ms: float) -> None:
    time_s = np.linspace(-0.1 * last_s, last_s, 2000)
    found = table(curve(time_s, np.zeros(2000)), across="time")
    times_ms = [float(t.removesuffix(" ms").replace("−", "-")) for t in first_words(found)]
    np.testing.assert_allclose(np.diff(times_ms), step_ms)
    assert 0.0 in times_ms and len(times_ms) <= 30


def test_rows_of_nothing_are_left_out_and_the_caption_says_so() -> None:
    found = table(curve(GRID_HZ, np.where(GRID_HZ < 110.0, 1.0, np.nan)))
    assert first_words(found)[-1] == "100 Hz"
    assert "there is no row" in found.caption
    assert table().rows == []


@pytest.mark.parametrize(
    ("value", "low", "high", "cell"),
    [
        (-42.13, -42.5, -41.8, Cell("−42.1", "± 0.4")),
        (-42.13, -43.9, -40.8, Cell("≈ −42", "± 1.8", pale=True)),
        (-42.13, math.nan, math.nan, Cell("−42.1")),
        (math.nan, -math.inf, 30.31, Cell("at most 30.3", pale=True)),
        (math.nan, 80.4, 86.1, Cell("80.4 to 86.1", pale=True)),
        (math.nan, 98.04, math.nan, Cell("at least 98.0", pale=True)),
        (math.nan, math.nan, math.nan, UNKNOWN),
    ],
)
def test_a_level_with_what_is_known_of_it(
    value: float, low: float, high: float, cell: Cell
) -> None:
    assert written(value, low, high) == cell


@pytest.mark.parametrize(
    ("value", "low", "high", "cell"),
    [
        (-50.2, -50.5, -49.9, Cell("0.31 %", "−50.2 ± 0.3 dB")),
        (-50.2, -51.4, -49.1, Cell("≈ 0.3 %", "≈ −50 ± 1.2 dB")),
        (-50.2, math.nan, math.nan, Cell("0.31 %", "−50.2 dB")),
        (math.nan, -math.inf, -46.3, Cell("at most 0.49 %", "at most −46 dB", pale=True)),
        (math.nan, -math.inf, 3.0, UNKNOWN),
    ],
)
def test_a_ratio_in_percent_above_its_decibels(
    value: float, low: float, high: float, cell: Cell
) -> None:
    assert written(value, low, high, re_fundamental=True) == cell
