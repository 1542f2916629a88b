"""What is left over of a ladder's sweeps: whose it is, and what it does to the values' floors."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.cut import CutLadder
from distsweep.analysis.noise.background import NoiseSpectrum
from distsweep.analysis.noise.hum import Hum, hum_density
from distsweep.analysis.sweep.deconvolution import Deconvolver
from distsweep.analysis.sweep.disturbances import (
    DECAY_MARGIN,
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
    FLAT_AFTER,
    FLAT_BEFORE,
    HarmonicWindow,
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

BOXES = 4
"""Boxes that a window's square is piled from (chosen: right to 2 % of its integral)."""

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
        """Which moments of which pass are damaged or clipped, shape ``(P, T)``."""
        return self._moments("damage") | self._moments("clip")

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
    hum: Hum,
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
    background = layout.background(noise)
    if not np.all(background > 0.0):
        return LeftOver(layout, density, background, noise, None, [])
    expected = expected_density(layout, decay, background, passes.values, passes.floors[:, 0], grid)
    if np.any(hum.during):
        expected += DECAY_MARGIN * hum_density(hum, layout.edges_hz, layout.bin_hz)[:, None]
    found = find_disturbances(layout, density, expected)
    events = [] if found is None else events_of(layout, found, drives_dbfs)
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
    running = np.zeros((added.shape[0], added.shape[1] + 1, added.shape[2]))
    np.cumsum(added * float(left.layout.time_s[1]), axis=1, out=running[:, 1:])
    floors, degrees = passes.floors.copy(), passes.degrees.copy()
    for index, window in enumerate(passes.windows):
        if window is None:
            continue
        held = slice(0, len(window.radiated_hz))
        power = _seen(left.layout, running, window, index + 1, arrival_s)
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
    layout: MomentMap, running: FloatArray, window: HarmonicWindow, order: int, arrival_s: float
) -> FloatArray:
    """Return ∫ S·w² dt of the density that an order's windows see, shape ``(P, G)``.

    ``running`` is ∫ S dt up to the edges of the moments, shape ``(P, T + 1, B)``. A window's square
    is taken as a pile of boxes, each as wide as it is at that height.
    """
    band = np.searchsorted(layout.edges_hz, window.radiated_hz) - 1
    band = np.clip(band, 0, running.shape[2] - 1)
    centre_s = arrival_s + layout.moment_of(window.radiated_hz / order)
    hop_s, last = float(layout.time_s[1]), running.shape[1] - 1

    def until(time_s: FloatArray) -> FloatArray:
        place = np.clip(time_s / hop_s + 0.5, 0.0, last - 1e-6)
        below = place.astype(np.int64)
        share = place - below
        return running[:, below, band] * (1.0 - share) + running[:, below + 1, band] * share

    seen = np.zeros((len(running), len(band)))
    for height in (np.arange(BOXES) + 0.5) / BOXES:
        slope = math.acos(2.0 * math.sqrt(height) - 1.0) / math.pi
        before_s, after_s = (
            np.maximum(side_s, LEAST_REACH_S) * (flat + (1.0 - flat) * slope)
            for side_s, flat in zip(
                (window.before_s, window.after_s), (FLAT_BEFORE, FLAT_AFTER), strict=True
            )
        )
        seen += (until(centre_s + after_s) - until(centre_s - before_s)) / BOXES
    return seen


def damage_of(left: LeftOver, cut: CutLadder, deconvolver: Deconvolver) -> list[Damage]:
    """Return what happened to the recording in its sweeps; ``rung`` is the row of ``cut.rungs``."""
    places = cut.places()
    return [
        replace(
            _record(left, event, *places[event.row], deconvolver),
            recording=cut.recording_of(places[event.row][0]),
        )
        for event in left.events
        if event.whose == "damage"
    ]


def clock_damage(
    out_of_step: BoolArray,
    left: LeftOver,
    cut: CutLadder,
    deconvolver: Deconvolver,
    grid: FloatArray,
) -> list[Damage]:
    """Return which passes a wandering clock put out of step; ``grid`` is in the recorder's clock.

    They are turned back, so that nothing of it is left in their mean.
    """
    damage = []
    for (row, first_sample), apart in zip(cut.places(), out_of_step, strict=True):
        if not np.any(apart):
            continue
        ends_hz = grid[np.flatnonzero(apart)[[0, -1]]]
        start_s, end_s = (
            first_sample / deconvolver.rate_hz + left.layout.moment_of(ends_hz)
        ).tolist()
        low_hz, high_hz = (ends_hz * cut.scale).tolist()
        name = cut.recording_of(row)
        damage.append(
            Damage("clock", start_s, end_s, row, low_hz, high_hz, bridged=True, recording=name)
        )
    return damage


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
    """Tell clicks, knocks, and noise that lasts."""
    if len(event.strong) * hop_s > KNOCK_S:
        return "noise"
    return "click" if is_click(event) else "knock"


def is_click(event: Event) -> bool:
    """Tell a click, which is brief and reaches all frequencies, from a knock."""
    return len(event.strong) <= CLICK_FRAMES and event.wide_share >= WIDE_SHARE


def touched_hz(layout: MomentMap, start_s: float, end_s: float) -> tuple[float, float]:
    """Return which played frequencies' windows reach into a stretch of a pass."""
    low_hz, high_hz = layout.passed_hz(start_s), layout.passed_hz(end_s)
    return layout.passed_hz(start_s - CYCLES_AFTER / low_hz), layout.passed_hz(
        end_s + CYCLES_BEFORE / high_hz
    )
