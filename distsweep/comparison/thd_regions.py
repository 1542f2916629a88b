"""Regions where harmonics differ: each order by itself, or THD where many orders do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.comparison.aligned import Place, Reading
from distsweep.comparison.beyond_doubt import difference_ends
from distsweep.comparison.differences import Doubts
from distsweep.comparison.regions import Region, regions
from distsweep.results.reproducibility import THIRDS
from distsweep.results.rung_curves import Curves
from distsweep.units import FloatArray

MANY_ORDERS = 3
"""So many orders that differ over the same bands are told as THD (chosen: a list of more hides what
they have in common)."""

SAME_BANDS = 0.5
"""Regions are the same where they share so much of the narrower one (chosen)."""


@dataclass(frozen=True)
class Distorted:
    """A region in which one or several orders differ; ``thd_db`` is THD's difference there."""

    orders: list[int]
    region: Region
    thd_db: float


def distorted(
    by_order: Mapping[int, Sequence[Region]],
    places: Sequence[Place],
    doubts: Doubts,
    frequency_hz: FloatArray,
) -> list[Distorted]:
    """Join the regions of orders that differ over the same bands by the same sign."""
    thd = _thd(places, doubts)
    left = [(order, one) for order, several in by_order.items() for one in several]
    left.sort(key=lambda item: -int(item[1].cells.sum()))
    found = []
    while left:
        order, widest = left.pop(0)
        alike = [item for item in left if _same(item[1], widest)]
        orders = sorted({order, *(item[0] for item in alike)})
        if len(orders) >= MANY_ORDERS:
            left = [item for item in left if item not in alike]
            cells = np.any([widest.cells, *(item[1].cells for item in alike)], axis=0)
            whole = _thd_region(thd, cells, frequency_hz, widest, doubts)
            found.append(Distorted(orders, whole, whole.difference_db))
        else:
            found.append(Distorted([order], widest, _median(thd.values, widest)))
    return found


def _thd_region(
    thd: Curves, cells: FloatArray, frequency_hz: FloatArray, like: Region, doubts: Doubts
) -> Region:
    sign = np.sign(like.difference_db) * like.deviations
    joined = regions(
        frequency_hz, thd, np.full(cells.shape, sign), np.asarray(cells, dtype=bool),
        shared_db=doubts.shared("thd"),
    )  # fmt: skip
    return max(joined, key=lambda one: int(one.cells.sum()))


def _thd(places: Sequence[Place], doubts: Doubts) -> Curves:
    return Curves.stacked(
        [
            difference_ends(*_thds(place.thirds), doubts.at("thd", place.thirds_hz, THIRDS))
            for place in places
            if place.thirds is not None
        ]
    )


def _thds(thirds: tuple[Reading, Reading]) -> tuple[Curves, Curves]:
    return thirds[0].thd, thirds[1].thd


def _median(values: FloatArray, region: Region) -> float:
    inside = values[region.cells]
    inside = inside[np.isfinite(inside)]
    return float(np.median(inside)) if inside.size else float("nan")


def _same(one: Region, other: Region) -> bool:
    shared = int(np.sum(one.bands & other.bands))
    narrower = min(int(one.bands.sum()), int(other.bands.sum()))
    return one.difference_db * other.difference_db > 0.0 and shared >= SAME_BANDS * narrower
