"""The numbers behind figures as JSON: a reader written from the format alone gets them back."""

from __future__ import annotations

import base64
import json
from html.parser import HTMLParser
from typing import Any

import numpy as np
import pytest

from distsweep.report.figure_data import Curve, FigureData
from distsweep.report.figure_json import figure_json

GRID_HZ = np.geomspace(20.0, 20000.0, 480)


def curve(values: Any, *, x: Any = GRID_HZ, **more: Any) -> Curve:
    return Curve("rung-0", "−10 dBFS", "THD, dB re fundamental", x, values, **more)


def numbers(text: str | None) -> Any:
    """Read a curve's values as the page does."""
    if text is None:
        return None
    codes = np.frombuffer(base64.b64decode(text), "<i2").astype(float)
    return np.where(codes == -32768, np.nan, np.where(codes == -32767, -np.inf, codes / 100.0))


def read_back(text: str) -> dict[str, Any]:
    """Read the whole, each curve's grid in its place."""
    whole = json.loads(text)
    grids = [np.frombuffer(base64.b64decode(grid), "<f4") for grid in whole["grids"]]
    for figure in whole["figures"].values():
        for one in figure["curves"]:
            one |= {"grid": grids[one["grid"]]}
            one |= {part: numbers(one[part]) for part in ("values", "low", "high")}
    return dict(whole["figures"])


def only_curve(data: Curve) -> dict[str, Any]:
    figures = read_back(figure_json({"axis-thd": FigureData("frequency", [data])}))
    return dict(figures["axis-thd"]["curves"][0])


def test_values_come_back_within_half_a_hundredth(rng: np.random.Generator) -> None:
    values = rng.uniform(-150.0, 120.0, GRID_HZ.size)
    values[3] = np.nan
    low = values - 1.0
    low[7] = -np.inf
    back = only_curve(curve(values, low=low, high=values + 2.0))
    for part, wanted in (("values", values), ("low", low), ("high", values + 2.0)):
        np.testing.assert_allclose(back[part], wanted, rtol=0.0, atol=0.00501)
    np.testing.assert_allclose(back["grid"], GRID_HZ, rtol=1e-7)  # float32 holds 24 bits


def test_what_a_curve_is_comes_back() -> None:
    back = only_curve(
        curve(np.zeros(480), re_fundamental=True, drive_dbfs=-10.0, spl_db=90.123, colour="#0a0b0c")
    )
    kept = ("key", "name", "quantity", "percent", "drive", "spl", "colour", "low", "high")
    assert {name: back[name] for name in kept} == {
        "key": "rung-0", "name": "−10 dBFS", "quantity": "THD, dB re fundamental",
        "percent": True, "drive": -10.0, "spl": 90.12, "colour": "#0a0b0c",
        "low": None, "high": None,
    }  # fmt: skip


def test_no_level_and_no_drive_are_null() -> None:
    back = only_curve(curve(np.zeros(480), spl_db=float("nan")))
    assert (back["drive"], back["spl"]) == (None, None)


@pytest.mark.parametrize(
    ("value", "read"),
    [(400.0, 327.66), (-400.0, -327.66), (-327.665, -327.66), (-np.inf, -np.inf), (0.004, 0.0)],
)
def test_what_no_int16_holds_is_clipped_and_never_taken_for_a_code(
    value: float, read: float
) -> None:
    assert only_curve(curve(np.full(480, value)))["values"][0] == read


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_an_end_that_says_nothing_is_no_value(value: float) -> None:
    assert np.isnan(only_curve(curve(np.full(480, value)))["values"][0])


def test_equal_grids_are_written_once() -> None:
    one, other = curve(np.zeros(480)), curve(np.zeros(3), x=np.array([1.0, 2.0, 3.0]))
    text = figure_json({"a": FigureData("frequency", [one, other, one]),
                        "b": FigureData("heard", [one])})  # fmt: skip
    whole = json.loads(text)
    assert len(whole["grids"]) == 2
    assert [c["grid"] for f in whole["figures"].values() for c in f["curves"]] == [0, 1, 0, 0]


def test_each_figure_says_what_lies_across() -> None:
    texts = figure_json({"a": FigureData("drive", []), "b": FigureData("time", [])})
    figures = json.loads(texts)["figures"]
    assert [(f["x"], f["unit"]) for f in figures.values()] == [("drive", "dBFS"), ("time", "s")]


def test_it_stands_in_a_script_element_whatever_names_hold() -> None:
    name = "</script><!-- <script> \N{LINE SEPARATOR}&amp;"
    text = figure_json({name: FigureData("frequency", [curve(np.zeros(480))])})
    read: list[str] = []

    class Reader(HTMLParser):
        def handle_data(self, data: str) -> None:
            read.append(data)

    reader = Reader()
    reader.feed(f'<script type="application/json">{text}</script>')
    reader.close()
    assert list(json.loads("".join(read))["figures"]) == [name]


def test_four_takes_of_ten_rungs_stay_well_under_two_megabytes(rng: np.random.Generator) -> None:
    values = rng.uniform(-90.0, -20.0, 480)
    full = curve(values, low=values - 1.0, high=values + 1.0)
    each = {"fundamental": 10, "thd": 10, "gain-change": 10, "harmonics": 9, "gain-map": 10}
    figures = {
        f"take-{take}-{name}": FigureData("frequency", count * [full])
        for take in range(4)
        for name, count in each.items()
    }
    assert len(figure_json(figures)) < 1.0e6


def test_an_unknown_quantity_and_unequal_arrays_are_refused() -> None:
    with pytest.raises(ValueError, match="'level' across"):
        figure_json({"a": FigureData("level", [])})
    with pytest.raises(ValueError, match="'rung-0': arrays differ in length"):
        figure_json({"a": FigureData("frequency", [curve(np.zeros(3))])})
