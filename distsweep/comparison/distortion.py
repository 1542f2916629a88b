"""Where harmonics differ beyond doubt, and by more than differing levels explain.

A harmonic re the fundamental also changes where nothing distorts differently: a response that
differs at n·f or at f behind the nonlinearity changes it by the difference of both; a drive that
differs in front of it changes it by its growth. What one of these explains is not counted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.comparison.aligned import Place
from distsweep.comparison.beyond_doubt import deviations, difference_ends
from distsweep.comparison.differences import Doubts
from distsweep.comparison.levels import least_deviations
from distsweep.results.reproducibility import THIRDS
from distsweep.results.rung_curves import Curves
from distsweep.units import FloatArray

LEAST_RISE_DB = 0.5
"""A step in which the fundamental rises by less tells no growth (chosen: several times what levels
repeat within)."""


@dataclass(frozen=True)
class HarmonicDifference:
    """One order's differences at each place and band, ``(P, B)``, and their deviations.

    The deviations are those of what levels leave unexplained: 0 where they explain it.
    """

    order: int
    difference: Curves
    deviations: FloatArray


def compare_harmonics(
    places: Sequence[Place], doubts: Doubts, sensitivity_db: float
) -> list[HarmonicDifference]:
    """Hold harmonics against each other at each place.

    Parameters
    ----------
    sensitivity_db : what the sensitivity differs by: it may lie in front of what distorts.
    """
    if not places:
        return []
    orders = set.intersection(
        *(set(reading.harmonics) for place in places for reading in place.thirds or ())
    )
    found = []
    for order in sorted(orders):
        differences, away = [], []
        for number, place in enumerate(places):
            assert place.thirds is not None
            ours, theirs = (reading.harmonics[order] for reading in place.thirds)
            doubt_db = doubts.at(f"h{order}", place.thirds_hz, THIRDS)
            differences.append(difference_ends(ours, theirs, doubt_db))
            tries = [
                deviations(ours, theirs, doubt_db=doubt_db, less_db=explained)
                for explained in _explanations(
                    places, number, order, sensitivity_db, known=np.isfinite(doubts.level_db)
                )
            ]
            away.append(least_deviations(np.array(tries)))
        found.append(
            HarmonicDifference(
                order,
                Curves.stacked(differences),
                np.array(away),
            )
        )
    return found


def _explanations(
    places: Sequence[Place], number: int, order: int, sensitivity_db: float, *, known: bool
) -> list[FloatArray]:
    """Return what differing levels may change a harmonic by, dB, in several ways, nothing first.

    ``known`` is whether levels can be held against each other. Where they cannot, being in two
    units for instance, only how they differ over frequency explains anything.
    """
    place = places[number]
    assert place.thirds is not None
    ours, theirs = (
        np.where(np.isfinite(level), level, np.nan)
        for level in (reading.fundamental.values for reading in place.thirds)
    )
    apart = theirs - ours
    if not known and np.isfinite(apart).any():
        apart = apart - np.nanmedian(apart)
    level_db = np.nan_to_num(apart)
    behind = _at_order(place.thirds_hz, level_db, order) - level_db
    growth = _growth(places, number, order)
    in_front = growth * level_db
    louder = growth * sensitivity_db
    return [np.zeros(level_db.shape), behind, in_front, in_front + behind, louder, louder + behind]


def _at_order(frequency_hz: FloatArray, level_db: FloatArray, order: int) -> FloatArray:
    """Return what holds at n·f; beyond the last band, what holds there."""
    return np.interp(np.log(order * frequency_hz), np.log(frequency_hz), level_db)


def _growth(places: Sequence[Place], number: int, order: int) -> FloatArray:
    """Return by how many dB the first's harmonic re its fundamental grows at most with its level.

    The steepest of the steps beside the place, re what the fundamental rises in it, and of the
    order − 1 dB per dB that a mild nonlinearity has.
    """
    mild = np.full(places[number].thirds_hz.shape, order - 1.0)
    steps = [mild]
    for lower, upper in ((number - 1, number), (number, number + 1)):
        if lower < 0 or upper >= len(places):
            continue
        below, above = places[lower].thirds, places[upper].thirds
        assert below is not None and above is not None
        with np.errstate(invalid="ignore", divide="ignore"):
            rise = above[0].harmonics[order].values - below[0].harmonics[order].values
            run = above[0].fundamental.values - below[0].fundamental.values
            growth = np.where(run >= LEAST_RISE_DB, rise / run, np.nan)
        steps.append(np.where(np.isfinite(growth), growth, np.nan))
    return np.asarray(np.fmax.reduce(np.array(steps)))
