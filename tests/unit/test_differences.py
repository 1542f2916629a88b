"""The comparison of two states' results sees whatever may be lost between them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from differences import differences, read


@pytest.mark.parametrize(
    ("old", "new", "kind"),
    [
        ({"a": None}, {}, "lost"),
        ({}, {"a": None}, "new"),
        ({"takes": [1, 2]}, {"takes": [1]}, "items"),
        (1.0, 1.0 + 1e-8, "number"),
        (1.0, float("inf"), "number"),
        (0.0, 1e-300, "number"),
        (1.0, None, "value"),
        (1, True, "value"),
        (None, "NaN", "value"),
        ("limiter", "clipping", "value"),
        ("it clips", "it clips.", "sentence"),
        ([{"x": [1.0, None]}], [{"x": [1.0, 2.0]}], "value"),
    ],
)
def test_a_difference_is_seen_both_ways(old: Any, new: Any, kind: str) -> None:
    mirrored = {"lost": "new", "new": "lost"}
    assert [found.kind for found in differences(old, new)] == [kind]
    assert [found.kind for found in differences(new, old)] == [mirrored.get(kind, kind)]
    assert list(differences(old, old)) == []


def test_an_order_of_summing_is_no_difference() -> None:
    assert list(differences({"a": [0.1 + 0.2, 3]}, {"a": [0.3, 3.0]})) == []


@pytest.mark.parametrize(
    ("key", "moved", "seen"),
    [("ratio", 0.0009, 0), ("ratio", 0.0011, 1), ("threshold_dbfs", 9e-5, 0),
     ("level_db[3]", 2e-4, 1)],
)  # fmt: skip
def test_fitted_numbers_may_move_by_their_unit(key: str, moved: float, seen: int) -> None:
    found = differences({key: 10.0}, {key: 10.0 * (1.0 + moved)}, near=True)
    assert len(list(found)) == seen


def test_what_is_no_json_is_kept_apart_from_null(tmp_path: Path) -> None:
    (tmp_path / "a.json").write_text('{"x": NaN, "y": null, "z": -Infinity}')
    assert read(tmp_path / "a.json") == {"x": "NaN", "y": None, "z": "-Infinity"}
