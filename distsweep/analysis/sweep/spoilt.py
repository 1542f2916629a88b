"""What is left over of a ladder's sweeps: whose it is, and what it does to the values' floors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.cut import CutLadder
from distsweep.analysis.noise.background import NoiseSpectrum
from distsweep.analysis.sweep.deconvolution import Deconvolver
from distsweep.analysis.sweep.disturbances import (
    Disturbances,
    expected_density,
    find_disturbances,
    spoilt_density,
)
from distsweep.analysis.sweep.left_over import MomentMap
from distsweep.analysis.sweep.separation import Passes
from distsweep.analysis.sweep.whose import Event, events_of
from distsweep.analysis.sweep.windows import (
    CYCLES_AFTER,
    CYCLES_BEFORE,
    HarmonicWindow,
    window_shape,
)
from distsweep.results import Damage
from distsweep.units import BoolArray, FloatArray

ADDED_DEGREES = 4.0
"""Degrees of freedom of the power that a disturbance adds (chosen: two independent cells beside the
order that it falls on)."""

LEAST_REACH_S = 0.005
"""Shortest reach of a window to either side, where densities are weighted by it (chosen: half the
distance of the map's moments)."""

CLICK_FRAMES = 3
"""Frames in which a click shows at most, down to `whose.DOWN_TO` (chosen: so many see few samples,
as they overlap by half)."""

KNOCK_S = 0.4
"""Longest event that is one knock (chosen: a door, a step; speech and traffic go on longer)."""

WIDE_SHARE = 0.5
"""Share of the cells at its moments in which a click shows (chosen: a knock is of low ones)."""


@dataclass(frozen=True)
class LeftOver:
    """What is left over of every pass, and what of it is damage.

    Attributes
    ----------
    layout : which moments and bands the arrays below hold.
    density : between the strips, shape ``(P, T, B)``.
    background : of the silence, shape ``(B,)``; None where it was not recorded.
    noise : of the silence, same.
    found, events : what exceeds it; None and empty without a background.
    """

    layout: MomentMap
    density: FloatArray
    background: FloatArray | None
    noise: NoiseSpectrum | None
    found: Disturbances | None
    events: list[Event]

    @property
    def damaged(self) -> BoolArray:
        """Which moments of which pass are damaged, shape ``(P, T)``."""
        return self._moments("damage")

    @property
    def own(self) -> BoolArray:
        """Which moments show what the loudspeaker does in several passes, shape ``(P, T)``."""
        return self._moments("loudspeaker")

    def _moments(self, whose: str) -> BoolArray:
        flags = np.zeros(self.density.shape[:2], dtype=bool)
        for event in self.events:
            if event.whose == whose:
                flags[event.row, event.first : event.last] = True
        return flags


def look_between(
    layout: MomentMap,
    density: FloatArray,
    decay: FloatArray,
    passes: Passes,
    noise: NoiseSpectrum | None,
    *,
    grid: FloatArray,
    drives_dbfs: Sequence[float],
) -> LeftOver:
    """Look at what is left over between the strips of the orders.

    Parameters
    ----------
    density, decay : of every pass, see `MomentMap.densities`, shape ``(P, T, B)``.
    grid : excitation frequencies in the recorder's clock, shape ``(F,)``.
    drives_dbfs : of each pass.
    """
    if noise is None:
        return LeftOver(layout, density, None, None, None, [])
    background = noise.mean_around(layout.middle_hz, np.diff(layout.edges_hz))
    if not np.all(background > 0.0):
        return LeftOver(layout, density, background, noise, None, [])
    expected = expected_density(layout, decay, background, passes.values, passes.floors[:, 0], grid)
    found = find_disturbances(layout, density, expected)
    events = events_of(layout, found, drives_dbfs)
    return LeftOver(layout, density, background, noise, found, events)


def with_raised_floors(
    passes: Passes, left: LeftOver, deconvolver: Deconvolver, arrival_s: float
) -> Passes:
    """Return passes whose floors hold what disturbances add to them, besides the background.

    Parameters
    ----------
    arrival_s : when the fundamental's direct sound arrives, re time zero.
    """
    if left.found is None:
        return passes
    added = spoilt_density(left.layout, left.found, left.damaged)
    if added is None:
        return passes
    floors, degrees = passes.floors.copy(), passes.degrees.copy()
    for index, window in enumerate(passes.windows):
        if window is None:
            continue
        held = slice(0, len(window.radiated_hz))
        power = _seen(left.layout, added, window, index + 1, arrival_s)
        power *= (
            0.5 * (deconvolver.inverse_gain(window.radiated_hz) * passes.scaling[index, held]) ** 2
        )
        still = floors[index, :, held] ** 2
        with np.errstate(invalid="ignore"):
            degrees[index, :, held] = (still + power) ** 2 / (
                still**2 / degrees[index, :, held] + power**2 / ADDED_DEGREES
            )
        floors[index, :, held] = np.sqrt(still + power)
    return replace(passes, floors=floors, degrees=degrees)


def _seen(
    layout: MomentMap, added: FloatArray, window: HarmonicWindow, order: int, arrival_s: float
) -> FloatArray:
    """Return ∫ S·w² dt of the density that an order's windows see, shape ``(P, G)``."""
    band = np.searchsorted(layout.edges_hz, window.radiated_hz) - 1
    band = np.clip(band, 0, added.shape[2] - 1)
    centre_s = arrival_s + layout.moment_of(window.radiated_hz / order)
    reach = [np.maximum(side, LEAST_REACH_S) for side in (window.before_s, window.after_s)]
    seen = np.zeros((len(added), len(band)))
    for row, density in enumerate(added):
        moments = np.flatnonzero(np.any(density > 0.0, axis=1))
        if not len(moments):
            continue
        since_s = layout.time_s[moments] - centre_s[:, None]
        weight = window_shape(since_s, reach[0][:, None], reach[1][:, None]) ** 2
        seen[row] = np.sum(weight * density[moments][:, band].T, axis=1) * layout.time_s[1]
    return seen


def damage_of(left: LeftOver, cut: CutLadder, deconvolver: Deconvolver) -> list[Damage]:
    """Return what happened to the recording in its sweeps; ``rung`` is the row of ``cut.rungs``."""
    firsts = [
        (row, rung.first_samples[number] if rung.first_samples else 0)
        for row, rung in enumerate(cut.rungs)
        for number in range(len(rung.signals))
    ]
    return [
        _record(left, event, *firsts[event.row], deconvolver)
        for event in left.events
        if event.whose == "damage"
    ]


def _record(
    left: LeftOver, event: Event, row: int, first_sample: int, deconvolver: Deconvolver
) -> Damage:
    start_s, end_s = (float(left.layout.time_s[at]) for at in event.strong[[0, -1]])
    low_hz, high_hz = touched_hz(left.layout, start_s, end_s)
    passed_s = first_sample / deconvolver.rate_hz
    return Damage(
        kind=_kind(event, float(left.layout.time_s[1])),
        start_s=passed_s + start_s,
        end_s=passed_s + end_s,
        rung=row,
        low_hz=low_hz,
        high_hz=high_hz,
    )


def _kind(event: Event, hop_s: float) -> str:
    """Tell a click, which is brief and reaches all frequencies, from a knock and from noise."""
    if len(event.strong) * hop_s > KNOCK_S:
        return "noise"
    brief = len(event.strong) <= CLICK_FRAMES
    return "click" if brief and event.wide_share >= WIDE_SHARE else "knock"


def touched_hz(layout: MomentMap, start_s: float, end_s: float) -> tuple[float, float]:
    """Return which played frequencies' windows reach into a stretch of a pass."""
    low_hz, high_hz = layout.passed_hz(start_s), layout.passed_hz(end_s)
    return layout.passed_hz(start_s - CYCLES_AFTER / low_hz), layout.passed_hz(
        end_s + CYCLES_BEFORE / high_hz
    )
