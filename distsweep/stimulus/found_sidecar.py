"""The sidecar of a found stimulus: that of a ladder, without markers, with ``found_in``."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

from distsweep.stimulus.found_sweep import DRIVES_DBFS, FoundFile, FoundStimulus
from distsweep.stimulus.recipe import LadderRecipe
from distsweep.stimulus.sidecar import (
    FOUND_IN,
    SCHEMA,
    PlayedRung,
    Stimulus,
    damaged,
    parse_sidecar,
    sidecar_data,
)
from distsweep.stimulus.sidecar_checks import build, check_sweep, require
from distsweep.stimulus.sweep import Sweep

HIGHEST_ORDER = 40
"""Highest order that may be asked for (chosen: as in recipes)."""


def found_sidecar_text(stimulus: FoundStimulus) -> str:
    """Return the sidecar of a found stimulus as JSON text."""
    data: dict[str, Any] = {"schema": SCHEMA, FOUND_IN: stimulus.file.name}
    data.update(stimulus.recipe.as_dict())
    data["sweep"] = dataclasses.asdict(stimulus.sweep)
    data["files"] = [dataclasses.asdict(stimulus.file)]
    return json.dumps(data, indent=1) + "\n"


def read_stimulus(path: Path) -> Stimulus | FoundStimulus:
    """Read a sidecar, of a stimulus that was written here or of one that was found.

    Raises
    ------
    InputError
        It is missing, not JSON, of another version, or damaged.
    """
    data = sidecar_data(path)
    if FOUND_IN not in data:
        return parse_sidecar(data, path)
    with damaged(path):
        return _found(data)


def _found(data: dict[str, Any]) -> FoundStimulus:
    sweep = build(Sweep, data["sweep"])
    (item,) = data["files"]
    rungs = tuple(build(PlayedRung, rung) for rung in item["rungs"])
    file = build(FoundFile, item, rungs=rungs)
    keys = {field.name for field in dataclasses.fields(LadderRecipe)}
    given = {key: value for key, value in data.items() if key in keys}
    band_hz, levels_dbfs = (
        tuple(float(value) for value in given.pop(key)) for key in ("band_hz", "levels_dbfs")
    )
    recipe = build(LadderRecipe, given, band_hz=band_hz, levels_dbfs=levels_dbfs)
    check_sweep(sweep, rate_hz=recipe.rate_hz, faded=False)
    low_hz, high_hz = band_hz
    require(
        sweep.full_from_hz <= low_hz < high_hz / 4.0 and high_hz <= sweep.full_to_hz,
        f"band_hz is {list(band_hz)}",
    )
    require(2 <= recipe.order <= HIGHEST_ORDER, f"order is {recipe.order}")
    require(recipe.kind == "ladder" and bool(rungs), "it names no rungs")
    ends = 0
    for rung in rungs:
        require(ends <= rung.start_sample, f"a rung's start_sample is {rung.start_sample}")
        held = DRIVES_DBFS[0] <= rung.drive_dbfs <= DRIVES_DBFS[1]
        require(held, f"drive_dbfs is {rung.drive_dbfs}")
        require(rung.role in ("rung", "return"), f"role is {rung.role!r}")
        ends = rung.start_sample + sweep.samples
    require(any(rung.role == "rung" for rung in rungs), "it names no rungs")
    require(ends <= file.samples, "its sweeps end outside the file")
    return FoundStimulus(recipe=recipe, sweep=sweep, file=file)
