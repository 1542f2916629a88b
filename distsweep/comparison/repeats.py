"""How well a position's levels repeat, by ladders that were recorded there more than once."""

from __future__ import annotations

import itertools

import numpy as np

from distsweep.comparison.aligned import common_places, third_ladders
from distsweep.comparison.beyond_doubt import difference_ends
from distsweep.comparison.positions import repeated_placements
from distsweep.comparison.record import DRIVE
from distsweep.results import Results, Take
from distsweep.units import FloatArray

KNOWN_DB = 0.2
"""Averages whose difference noise leaves within so much, 95 %, tell how well levels repeat (chosen:
a placement that is 2 cm off at 1 m; where noise leaves more, it is in the intervals already)."""


def repeats_db(first: Results, other: Results, position: str) -> float:
    """Return by what levels of one loudspeaker differ between repeats, dB, 95 %; 0 without any.

    The larger of what the two sides show. Of one that was recorded once, the other's counts.
    """
    return max(_spread_db(results, position) for results in (first, other))


def is_repeated(first: Results, other: Results, position: str) -> bool:
    """Tell whether either side says how well its levels repeat."""
    return repeats_db(first, other, position) > 0.0


def _spread_db(results: Results, position: str) -> float:
    takes = repeated_placements(results, position)
    pairs = itertools.combinations(takes, 2)
    found = np.concatenate([np.zeros(0), *(_differences_db(*pair) for pair in pairs)])
    return float(np.quantile(np.abs(found), 0.95)) if found.size else 0.0


def _differences_db(one: Take, other: Take) -> FloatArray:
    """Return known differences of thirds of an octave, at all drives that both played."""
    ladders = third_ladders(one, other)
    if ladders is None:
        return np.zeros(0)
    found = []
    for drive_dbfs in common_places(*ladders, DRIVE):
        first, second = (ladder.read(DRIVE, drive_dbfs).fundamental for ladder in ladders)
        ends = difference_ends(first, second)
        with np.errstate(invalid="ignore"):
            known = (ends.high - ends.low) / 2.0 <= KNOWN_DB
        found.append(ends.values[known])
    return np.concatenate([np.zeros(0), *found])
