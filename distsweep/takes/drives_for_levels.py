"""Drives that give levels in dB SPL, by the gain that an earlier ladder had."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from distsweep.errors import InputError
from distsweep.results import Results, Take, first_take, read_results
from distsweep.results.between_rungs import SAME_LEVEL_DB, Between
from distsweep.results.rung_curves import Curves
from distsweep.stimulus.recipe import LadderRecipe, Recipe

LEAST_STEP_DB = 0.1
"""Drives of two rungs that are nearer give one level (chosen: a level repeats no better)."""


@dataclass(frozen=True)
class Drive:
    """The drive for a level, with what it lies between by the rungs of the earlier ladder.

    ``below`` says that the level is lower than any played: output is taken to follow the drive dB
    for dB there.
    """

    spl_db: float
    drive_dbfs: float
    low_dbfs: float
    high_dbfs: float
    below: bool = False


def find_results(path: Path) -> Results:
    """Read results from their file, or from the folder of results or of a session that holds it.

    Raises
    ------
    InputError
        There is no such file, or it cannot be read.
    """
    if path.is_dir():
        places = [path / "results.json", path / "results" / "results.json"]
        found = next((place for place in places if place.is_file()), None)
        if found is None:
            raise InputError(
                f"{path}: holds no results.json: analyse the session, or give the file itself"
            )
        path = found
    return read_results(path)


def ladder_for_levels(
    recipe: Recipe, levels_spl_db: Sequence[float], results: Results
) -> tuple[LadderRecipe, list[Drive]]:
    """Return a recipe with the drives that give levels in the level band, and these drives.

    Parameters
    ----------
    levels_spl_db : rising.
    results : of the earlier measurement; its ladder on the axis counts.

    Raises
    ------
    InputError
        The levels cannot be told: the ladder is missing, uncalibrated or did not play them, or the
        recipe plays the level band otherwise.
    """
    if not isinstance(recipe, LadderRecipe):
        raise InputError(f"recipe {recipe.name!r} is a staircase: levels in dB SPL are for ladders")
    take = first_take(results.takes, "axis", kind="ladder")
    if take is None:
        raise InputError('the results hold no ladder at position "axis": its gain is needed')
    _check_shape(recipe, take, results.conditions.averaged_hz)
    drives = [_drive_for(take, level) for level in levels_spl_db]
    for one, other in itertools.pairwise(drives):
        if other.drive_dbfs - one.drive_dbfs < LEAST_STEP_DB:
            raise InputError(
                f"{one.spl_db:g} and {other.spl_db:g} dB SPL take nearly the same drive"
                f" ({one.drive_dbfs:.1f} dBFS): give levels that are farther apart"
            )
    ends = dict.fromkeys(f"{level:g}" for level in (levels_spl_db[0], levels_spl_db[-1]))
    changed = dataclasses.replace(
        recipe,
        name=f"{recipe.name}-{'-to-'.join(ends)}-spl",
        levels_dbfs=tuple(drive.drive_dbfs for drive in drives),
    )
    return changed, drives


def _check_shape(recipe: LadderRecipe, take: Take, level_band_hz: tuple[float, float]) -> None:
    """Refuse a recipe whose mean level over the level band is another than the earlier ladder's."""
    low_hz, high_hz = level_band_hz
    band = f"the level band ({low_hz:g} to {high_hz:g} Hz)"
    inside = (take.frequency_hz >= low_hz) & (take.frequency_hz <= high_hz)
    reduced = np.abs(take.drive_shape_db[inside]) > LEAST_STEP_DB
    if bool(np.any(reduced)) or (recipe.reduce_drive_below_hz or 0.0) > low_hz:
        raise InputError(
            f"the drive is reduced inside {band}, in the recipe or in the earlier ladder: levels do"
            " not carry over; lower reduce_drive_below_hz, or level_band_hz of the session"
        )
    if recipe.band_hz[0] > low_hz or recipe.band_hz[1] < high_hz:
        raise InputError(
            f"band_hz of the recipe ({recipe.band_hz[0]:g} to {recipe.band_hz[1]:g} Hz) does not"
            f" hold {band}: levels do not carry over; widen it"
        )


def _drive_for(take: Take, spl_db: float) -> Drive:
    rungs = sorted(
        (rung for rung in take.rungs if rung.spl_db is not None and not rung.clipped),
        key=lambda rung: rung.drive_dbfs,
    )
    if take.level_unit != "dB SPL" or not rungs:
        raise InputError(
            "the earlier ladder is uncalibrated, or clipped: levels in dB SPL need a calibration"
            " ('distsweep calibrate'); analyse the session again with one"
        )
    drives = np.array([rung.drive_dbfs for rung in rungs])
    levels = np.array([rung.spl_db for rung in rungs], dtype=float)
    if spl_db < levels[0] - SAME_LEVEL_DB:
        drive = float(drives[0] - (levels[0] - spl_db))
        found = Drive(spl_db, drive, drive, drive, below=True)
    else:
        read = Between(drives, Curves.exact(levels[:, None]), spl_db).drive()
        found = Drive(spl_db, float(read.values[0]), float(read.low[0]), float(read.high[0]))
    if np.isnan(found.drive_dbfs):
        raise InputError(
            f"{spl_db:g} dB SPL is above what the earlier ladder played, {np.max(levels):.1f}: what"
            " drive gives it is not known; ask for lower levels, or play louder first"
        )
    if not -100.0 <= found.drive_dbfs <= 0.0:
        raise InputError(
            f"{spl_db:g} dB SPL takes a drive of {found.drive_dbfs:.1f} dBFS: drives lie between"
            " −100 and 0; ask for another level, or change the gain and measure again"
        )
    return dataclasses.replace(found, drive_dbfs=round(found.drive_dbfs, 2))
