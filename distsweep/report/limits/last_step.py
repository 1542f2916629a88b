"""What the last decibels of drive brought: a sentence of the summary."""

from __future__ import annotations

import numpy as np

from distsweep.analysis.noise.interval import is_reliable
from distsweep.report.limits.gain_map import gain_grid, level_errors
from distsweep.results import Take
from distsweep.units import FloatArray
from distsweep.words import wording

LAST_DB = 3.0
"""So much of the drive is looked at (chosen: twice the power)."""


def last_step_words(take: Take) -> str | None:
    """Say what the last 3 dB of drive brought, over the frequencies that can be judged."""
    grid = gain_grid(take)
    if grid is None:
        return None
    _, drives, change = grid
    if drives[-1] - drives[0] < LAST_DB:
        return None
    output = change + drives[:, None]
    gained = output[-1] - _before(drives, output)
    down, up = _errors(take, drives, gained)
    known = np.isfinite(gained) & (is_reliable(-down, up) | np.isnan(down + up))
    if not np.any(known):
        return None
    parts = [part[known] for part in (gained, gained - down, gained + up)]
    least, most = int(np.argmin(parts[0])), int(np.argmax(parts[0]))
    # The median of what lies between ends lies between the medians of these.
    middle = wording.known_decibels(*(float(np.median(part)) for part in parts))
    lowest, highest = (
        wording.known_decibels(*(float(part[at]) for part in parts)) for at in (least, most)
    )
    shortened = lowest.removesuffix(wording.with_unit("", "dB"))
    span = (
        " and at every single one"
        if lowest == middle == highest
        else f", {shortened} to {highest} at single frequencies"
    )
    return (
        f"The last {LAST_DB:g} dB of drive, up to {wording.drive(float(drives[-1]))}, brought"
        f" {middle} in the median over frequency{span}."
    )


def _before(drives: FloatArray, values: FloatArray) -> FloatArray:
    """Read values, ``(R, F)``, at the drive that lies `LAST_DB` below the highest."""
    at = drives[-1] - LAST_DB
    return np.array([np.interp(at, drives, values[:, f]) for f in range(values.shape[1])])


def _errors(take: Take, drives: FloatArray, gained: FloatArray) -> tuple[FloatArray, FloatArray]:
    """How far the intervals reach down and up, NaN where none is known.

    The errors of both levels add as squares (GUM, JCGM 100:2008, 5.1.2); the reference level's
    is in both alike and takes no part.
    """
    errors = level_errors(take)
    if errors is None:
        return np.full(gained.shape, np.nan), np.full(gained.shape, np.nan)
    down, up = errors
    return (
        np.hypot(down[-1], _before(drives, up)),
        np.hypot(up[-1], _before(drives, down)),
    )
