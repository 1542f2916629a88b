"""Bands and places at which a quantity differs beyond doubt, joined into regions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.comparison.beyond_doubt import HALF_WIDTH_DEVIATIONS
from distsweep.results.rung_curves import Curves
from distsweep.units import BoolArray, FloatArray

GAP_BANDS = 1
"""Bands that may be missing between two that differ, as noise hides one (chosen)."""

HALF_OF_THE_LARGEST = 0.5
"""A region holds what differs by at least so much of its largest difference: what fades out beside
it belongs to it, and would make its mean small (chosen: half)."""


SIXTH_OCTAVE = 2.0 ** (1.0 / 6.0)


@dataclass(frozen=True)
class Region:
    """Neighbouring bands that differ by the same sign, at some places.

    ``cells`` are True at those ``(P, B)``; the difference is their mean, weighted by variances,
    with its 95 % interval, in which what all of them share is not averaged out.
    """

    low_hz: float
    high_hz: float
    difference_db: float
    low_db: float
    high_db: float
    cells: BoolArray
    deviations: float

    @property
    def bands(self) -> BoolArray:
        """The bands that belong to it, ``(B,)``, those inside a gap too."""
        inside = np.flatnonzero(self.cells.any(axis=0))
        bands = np.zeros(self.cells.shape[1], dtype=bool)
        bands[inside[0] : inside[-1] + 1] = True
        return bands

    @property
    def places(self) -> list[int]:
        """Numbers of the places that belong to it."""
        return [int(number) for number in np.flatnonzero(self.cells.any(axis=1))]


def regions(
    frequency_hz: FloatArray,
    difference: Curves,
    deviations: FloatArray,
    differs: BoolArray,
    *,
    shared_db: float,
) -> list[Region]:
    """Return the regions where ``differs``, all arrays ``(P, B)``.

    Parameters
    ----------
    shared_db : half-width (95 %) of what all cells share, which a mean does not make smaller.
    """
    found = []
    for sign in (1.0, -1.0):
        same_sign = differs & (np.sign(deviations) == sign)
        for run in _runs(same_sign.any(axis=0)):
            inside = _strongest(same_sign & run, difference.values)
            found.append(_region(frequency_hz, difference, deviations, inside, shared_db))
    return found


def at_largest(
    region: Region,
    frequency_hz: FloatArray,
    difference: Curves,
    deviations: FloatArray,
    *,
    shared_db: float,
) -> tuple[int, Region]:
    """Return the place at which the median of a region is largest, and what differs there.

    A place all of whose differences are bounded on one side only counts as the smallest.
    """
    sizes = []
    for number in region.places:
        values = difference.values[number][region.cells[number]]
        known = values[np.isfinite(values)]
        sizes.append(abs(float(np.median(known))) if known.size else -1.0)
    largest = region.places[int(np.argmax(sizes))]
    cells = np.zeros(region.cells.shape, dtype=bool)
    cells[largest] = region.cells[largest]
    return largest, _region(frequency_hz, difference, deviations, cells, shared_db)


def _region(
    frequency_hz: FloatArray,
    difference: Curves,
    deviations: FloatArray,
    cells: BoolArray,
    shared_db: float,
) -> Region:
    mean, low, high = _mean(difference, cells, shared_db)
    f = frequency_hz[cells.any(axis=0)]
    return Region(
        float(f[0] / SIXTH_OCTAVE),
        float(f[-1] * SIXTH_OCTAVE),
        mean,
        low,
        high,
        cells,
        float(np.max(np.abs(deviations[cells]))),
    )


def _runs(bands: BoolArray) -> list[BoolArray]:
    """Return runs of bands, gaps of `GAP_BANDS` included."""
    at = np.flatnonzero(bands)
    if not at.size:
        return []
    parts = np.split(at, np.flatnonzero(np.diff(at) > GAP_BANDS + 1) + 1)
    runs = []
    for part in parts:
        run = np.zeros(bands.shape, dtype=bool)
        run[part[0] : part[-1] + 1] = True
        runs.append(run)
    return runs


def _strongest(cells: BoolArray, difference_db: FloatArray) -> BoolArray:
    """Return the cells that differ by half as much as those that differ most, or by a bound."""
    size = np.where(cells, np.abs(difference_db), np.nan)
    there = np.any(np.isfinite(size), axis=0)
    if not there.any():
        return cells
    # Of each band, its median over the places: a cell by itself may be noisy.
    by_band = np.full(cells.shape[1], np.inf)
    by_band[there] = np.nanmedian(size[:, there], axis=0)
    most = float(np.max(by_band[there]))
    return np.asarray(cells & (by_band >= HALF_OF_THE_LARGEST * most))


def _mean(difference: Curves, cells: BoolArray, shared_db: float) -> tuple[float, float, float]:
    """Return the weighted mean with the ends of its interval (95 %).

    Where no cell has a value, it is the median of what cells are bounded by: "at least", or "at
    most", with an end of ±inf.
    """
    values, low, high = (
        part[cells] for part in (difference.values, difference.low, difference.high)
    )
    known = np.isfinite(values)
    if not known.any():
        at_most = np.isfinite(high)
        bound = float(np.median(np.where(at_most, high, low)))
        return (bound, -np.inf, bound) if at_most.any() else (bound, bound, np.inf)
    with np.errstate(invalid="ignore"):
        widest = np.fmax(high - values, values - low)
    own = np.sqrt(np.maximum(widest[known] ** 2 - shared_db**2, 1e-6))
    weight = np.where(np.isfinite(own), 1.0 / own**2, 0.0)
    if not np.any(weight > 0.0):
        weight = np.ones(own.shape)
    mean = float(np.average(values[known], weights=weight))
    # Cells differ among themselves, too: no mean is known better than they scatter.
    scatter = np.average((values[known] - mean) ** 2, weights=weight) / known.sum()
    spread = 1.0 / np.sum(weight) + HALF_WIDTH_DEVIATIONS**2 * scatter
    half = float(np.sqrt(spread + shared_db**2))
    return mean, mean - half, mean + half


def near(frequency_hz: FloatArray, places_hz: Sequence[float], octaves: float) -> BoolArray:
    """Tell which bands lie within some octaves of one of several frequencies, ``(B,)``."""
    close = np.zeros(frequency_hz.shape, dtype=bool)
    for place_hz in places_hz:
        close |= np.abs(np.log2(frequency_hz / place_hz)) <= octaves
    return close
