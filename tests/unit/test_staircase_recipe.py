"""Recipes of staircases: what is refused, and that the sidecar brings everything back."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from distsweep.errors import InputError
from distsweep.stimulus.bursts import lay_out_staircase
from distsweep.stimulus.recipe import parse_recipe, read_recipe
from distsweep.stimulus.sidecar import StaircaseStimulus, read_sidecar, sidecar_text
from distsweep.stimulus.staircase_recipe import StaircaseRecipe
from distsweep.stimulus.write import write_stimulus

GOOD: dict[str, Any] = {
    "kind": "staircase",
    "name": "steps",
    "rate_hz": 48000,
    "frequencies_hz": [100, 1000],
    "levels_dbfs": {"from": -30, "to": -10, "step": 5},
}

BAD = {
    "levels out of order": (
        {"levels_dbfs": [-20, -30]},
        "levels_dbfs must rise.*way down is added",
    ),
    "levels swapped": ({"levels_dbfs": {"from": -4, "to": -40, "step": 2}}, "swap them"),
    "odd step": ({"levels_dbfs": {"from": -40, "to": -4, "step": 5}}, "whole steps"),
    "tiny step": ({"levels_dbfs": {"from": -40, "to": 0, "step": 0.01}}, "4001 levels.*widen"),
    "no step": ({"levels_dbfs": {"from": -40, "to": -4}}, "step is missing"),
    "levels a word": ({"levels_dbfs": "loud"}, "list of numbers, or"),
    "too loud": ({"levels_dbfs": [-10, 3]}, "0 dBFS or less"),
    "too soft": ({"levels_dbfs": [-120, -10]}, "−100 dBFS or more"),
    "tone too high": ({"frequencies_hz": [30000]}, "between 5 and 21600"),
    "tone twice": ({"frequencies_hz": [100, 100]}, "holds a frequency twice"),
    "hold too short": ({"hold_s": 0.06}, "hold_s is 0.06: too short at 100 Hz"),
    "rest too short": (
        {"frequencies_hz": [20], "rest_s": 0.1, "hold_s": 1.0},
        "rest_s is 0.1: too short at 20",
    ),
    "hold endless": ({"hold_s": 3600.0}, "600 or less"),
    "a ladder's key": ({"sweep_s": 4.0}, "unknown key 'sweep_s'"),
    "misspelt key": ({"hold": 0.5}, "did you mean 'hold_s'"),
    "unknown kind": ({"kind": "stairs"}, 'must be "ladder" or "staircase"'),
}


@pytest.mark.parametrize("name", BAD)
def test_a_recipe_that_cannot_work_is_refused_with_its_remedy(name: str) -> None:
    changes, message = BAD[name]
    with pytest.raises(InputError, match=message):
        parse_recipe({**GOOD, **changes}, "recipe.toml")


@pytest.mark.parametrize("key", ["hold_s", "rest_s"])
@pytest.mark.parametrize("tone_hz", [40.0, 7.3, 13.0, 30.0])
def test_the_length_that_a_refusal_asks_for_is_taken(key: str, tone_hz: float) -> None:
    given = {**GOOD, "frequencies_hz": [tone_hz], "hold_s": 3.0, "rest_s": 2.0, "release_s": 3.0}
    with pytest.raises(InputError) as refused:
        parse_recipe({**given, key: 0.05}, "recipe.toml")
    asked = re.search(r"make it (\S+) or more", str(refused.value))
    assert asked is not None
    parse_recipe({**given, key: float(asked[1])}, "recipe.toml")


def test_levels_may_be_a_range_or_a_list() -> None:
    ranged = parse_recipe(GOOD, "r")
    listed = parse_recipe({**GOOD, "levels_dbfs": [-30, -25, -20, -15, -10]}, "r")
    assert ranged == listed


def test_the_shipped_staircase_has_37_bursts_a_frequency() -> None:
    recipe = read_recipe("staircase")
    assert isinstance(recipe, StaircaseRecipe)
    file = lay_out_staircase(recipe).files[0]
    assert len(file.bursts) == 7 * 37
    assert [b.start_sample for b in file.bursts] == sorted(b.start_sample for b in file.bursts)


@pytest.mark.parametrize("split", [False, True])
def test_a_sidecar_brings_the_stimulus_back(tmp_path: Path, split: bool) -> None:
    recipe = parse_recipe({**GOOD, "hold_s": 0.2, "rest_s": 0.1, "release_s": 0.2}, "r")
    stimulus, paths = write_stimulus(recipe, tmp_path, split=split)
    assert len(paths) == (3 if split else 2)
    assert read_sidecar(paths[-1]) == stimulus
    # Writing the same again is no harm; another staircase of that name is refused.
    write_stimulus(recipe, tmp_path, split=split)
    with pytest.raises(InputError, match="another stimulus of this name"):
        write_stimulus(parse_recipe({**GOOD, "hold_s": 0.3}, "r"), tmp_path, split=split)


def test_a_sidecar_without_bursts_is_damaged(tmp_path: Path) -> None:
    recipe = parse_recipe(GOOD, "r")
    assert isinstance(recipe, StaircaseRecipe)
    stimulus = lay_out_staircase(recipe)
    empty = StaircaseStimulus(recipe, stimulus.marker, ())
    (tmp_path / "steps.json").write_text(sidecar_text(empty), encoding="utf-8")
    with pytest.raises(InputError, match=r"damaged.*names no bursts"):
        read_sidecar(tmp_path / "steps.json")
