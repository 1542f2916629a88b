"""The least misfit over one or several quantities, by grids that close in on the best place.

No start value is needed, and none can mislead: the first grid covers all that is possible. It
must be finer than the narrowest valley that counts, as later grids look around the best place only.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from distsweep.units import FloatArray


@dataclass(frozen=True, eq=False)
class Axis:
    """The values of one quantity that are tried.

    Attributes
    ----------
    first : values of the first grid, rising.
    points : how many values each later grid has, evenly spaced.
    reach : a later grid reaches so many steps of the grid before it to either side of the best
        (chosen: 1, as the minimum of a smooth valley lies within a step of its best grid point).
    lowest, highest : no value beyond is tried.
    """

    first: FloatArray
    points: tuple[int, ...]
    reach: float = 1.0
    lowest: float = -math.inf
    highest: float = math.inf

    def around(self, best: float, grid: FloatArray, points: int) -> FloatArray:
        """Return the next grid around the best value of the last one."""
        place = int(np.argmin(np.abs(grid - best)))
        below, above = max(place - 1, 0), min(place + 1, len(grid) - 1)
        reach = self.reach * float(grid[above] - grid[below]) / max(above - below, 1)
        ends = max(best - reach, self.lowest), min(best + reach, self.highest)
        return np.linspace(*ends, points)


@dataclass(frozen=True)
class Minimum:
    """The place of the least misfit, a value an axis, and that misfit."""

    place: tuple[float, ...]
    misfit: float


def narrowed_minimum(misfits: Callable[..., FloatArray], *axes: Axis) -> Minimum:
    """Find the least misfit.

    Parameters
    ----------
    misfits : given the values of each axis, shapes ``(A,)``, ``(B,)`` …, it returns the misfit of
        every combination, shape ``(A, B, …)``.
    axes : one a quantity, all with as many later grids.
    """
    grids = [axis.first for axis in axes]
    best = Minimum(tuple(float(grid[0]) for grid in grids), math.inf)
    for points in (None, *zip(*(axis.points for axis in axes), strict=True)):
        if points is not None:
            grids = [
                axis.around(*given)
                for axis, *given in zip(axes, best.place, grids, points, strict=True)
            ]
        found = misfits(*grids)
        at = np.unravel_index(int(np.argmin(found)), found.shape)
        if found[at] < best.misfit:
            place = tuple(float(grid[i]) for grid, i in zip(grids, at, strict=True))
            best = Minimum(place, float(found[at]))
    return best
