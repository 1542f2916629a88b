"""What putting the microphone back leaves open of differences: placements of either side.

A take's intervals hold what its placements showed (`distsweep.analysis.placements`). All of its
rungs, and neighbouring bands nearly, were moved by it alike: it is no error that a mean over rungs
or bands makes smaller. So ladders are compared with the intervals of one placement, and what the
placements of both sides leave open is added to each difference as squares.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.placements.widened import in_one_placement
from distsweep.comparison.positions import LADDER
from distsweep.results import Reproducibility, Results, Take, first_take
from distsweep.results.reproducibility import THIRDS
from distsweep.units import FloatArray

FUNDAMENTAL, LEVEL = "fundamental", "level"

SINGLE = None
"""Stands for single frequencies where averages have so many bands an octave."""


def reproducibility_at(results: Results, position: str) -> Reproducibility | None:
    """Return what placements tell of the ladder that is compared at a position; None without."""
    take = first_take(results.takes, position, kind=LADDER)
    found = (
        one
        for one in results.reproducibility
        if any(results.takes[number] is take for number in one.takes)
    )
    return next(found, None)


def of_one_placement(take: Take, found: Reproducibility | None) -> Take:
    """Return a ladder with the intervals that noise leaves, by what widened them."""
    return take if found is None else replace(take, rungs=in_one_placement(take.rungs, found))


@dataclass(frozen=True)
class PlaceDoubt:
    """What the placements of two sides leave open of their difference.

    Of a side whose microphone was placed once the other's placements count: its own are not known,
    and it was put there by the same hands.
    """

    sides: tuple[Reproducibility, Reproducibility]

    @classmethod
    def between(cls, first: Results, other: Results, position: str) -> PlaceDoubt | None:
        """Return the doubt about two ladders at a position; None where neither was put back."""
        ours, theirs = (reproducibility_at(results, position) for results in (first, other))
        if first is other or (ours is None and theirs is None):
            return None
        known = [ours or theirs, theirs or ours]
        assert known[0] is not None and known[1] is not None
        return cls((known[0], known[1]))

    def half_width_db(
        self, quantity: str, frequency_hz: FloatArray, bands_per_octave: int | None
    ) -> FloatArray:
        """Return the half-width (95 %) of a quantity's difference, 0 where nothing is known.

        Parameters
        ----------
        quantity : "fundamental", "thd", "h2" …
        bands_per_octave : 3 for averages over thirds of an octave, None for single frequencies.
        """
        squares = np.zeros(frequency_hz.shape)
        for side in self.sides:
            squares += _half_width_db(side, quantity, frequency_hz, bands_per_octave) ** 2
        return np.sqrt(squares)

    def shared_db(self, quantity: str) -> float:
        """Return what a mean over bands and rungs is left with: the thirds' median half-width."""
        return math.hypot(*(shared_db(side, quantity) for side in self.sides))


def shared_db(found: Reproducibility | None, quantity: str) -> float:
    """Return the median half-width over thirds of an octave; 0 where nothing is known."""
    half_db = None if found is None else _own(found, quantity, THIRDS)
    if half_db is None or not np.any(np.isfinite(half_db[1])):
        return 0.0
    return float(np.nanmedian(half_db[1]))


def _half_width_db(
    found: Reproducibility, quantity: str, frequency_hz: FloatArray, bands_per_octave: int | None
) -> FloatArray:
    own = _own(found, quantity, bands_per_octave)
    if own is None:
        return np.zeros(frequency_hz.shape)
    at_hz, half_db = own
    return np.interp(np.log(frequency_hz), np.log(at_hz), np.nan_to_num(half_db))


def _own(
    found: Reproducibility, quantity: str, bands_per_octave: int | None
) -> tuple[FloatArray, FloatArray] | None:
    spread = found.of(bands_per_octave)
    name = LEVEL if quantity == FUNDAMENTAL else quantity
    place = None if spread is None else dict(spread.curves()).get(name)
    if spread is None or place is None:
        return None
    return spread.frequency_hz, place.half_width_db
