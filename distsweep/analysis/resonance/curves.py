"""A ladder's curves, stacked, with how far each point stands out: what a reader sees of a mode."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.noise.certainty import SEEN_DB
from distsweep.analysis.resonance.peaks import Spike, find_spikes, prominences_db, surprise
from distsweep.analysis.sweep.grid import POINTS_PER_OCTAVE
from distsweep.analysis.sweep.harmonics import ImpulseResponse, SweptHarmonics
from distsweep.results import Rung, SpikeSeen
from distsweep.units import FloatArray, IntArray

HIGHEST_ORDER = 5
"""Higher orders are not searched (chosen: where they stand out of the noise, so do lower ones)."""

LEAST_PERIODS = 48.0
"""A harmonic's impulse response must have so many periods to itself, of 64 that its window takes
where there is room (chosen: with fewer, a peak is as narrow as the window lets it be)."""

NEAR_POSITIONS, NEAR_M = ("woofer", "port", "tweeter"), 0.1
"""Positions that are close to a driver or the port, where no distance is noted; and how close that
is (names: `distsweep demo`'s; distance chosen: half of what small woofers measure across)."""

LOWEST_FLOOR_DB = -120.0
"""Re the fundamental, no floor is believed to lie lower: what a digital loop shows below is
rounding, which comes with the signal and so is not in the background (chosen: no microphone
resolves it)."""


@dataclass(frozen=True)
class SearchedTake:
    """A ladder take as the search needs it.

    Attributes
    ----------
    position : where the microphone stood.
    frequency_hz : excitation frequencies, shape ``(F,)``.
    rungs : levels, harmonics and floors, in the order of the results.
    impulse : of the fundamental; None where every rung clipped.
    rate_constant_s : the sweep's L.
    swept : the same harmonics, complex.
    partial : whether the capture ended before the stimulus did.
    distance_m : of the microphone, as noted for this take; None where it was not.
    """

    position: str
    frequency_hz: FloatArray
    rungs: Sequence[Rung]
    impulse: ImpulseResponse | None
    rate_constant_s: float
    swept: SweptHarmonics
    partial: bool = False
    distance_m: float | None = None

    @property
    def near(self) -> bool:
        """Whether the microphone stood close to a driver or the port."""
        if self.distance_m is None:
            return self.position in NEAR_POSITIONS
        return self.distance_m <= NEAR_M


@dataclass(frozen=True)
class Family:
    """Curves of one kind at every rung and order, and how far their points stand out.

    Attributes
    ----------
    level_db, prominence_db, surprise : shape ``(R, O, F)``.
    """

    level_db: FloatArray
    prominence_db: FloatArray
    surprise: FloatArray

    def curve(self, *place: int) -> Family:
        """Return the curve of one rung and order, arrays of shape ``(F,)``."""
        return Family(self.level_db[place], self.prominence_db[place], self.surprise[place])


@dataclass(frozen=True)
class LadderCurves:
    """The clean rungs of one take, quietest first.

    Attributes
    ----------
    position : of the take.
    frequency_hz : shape ``(F,)``.
    drive_dbfs : shape ``(R,)``.
    orders : shape ``(O,)``, 2 and up.
    bump_db : how far the fundamental of the loudest rung stands out, shape ``(F,)``.
    relative : harmonics re the fundamental, as in results.
    absolute : the same as levels: a dip of the fundamental makes no peak in these.
    input_referred : with the linear response between f and n·f divided out.
    resolved_from_hz : played frequency from which on an order's peaks are resolved, ``(O,)``.
    above_floor_db : of the harmonics, shape ``(R, O, F)``; NaN where they are not resolved.
    """

    position: str
    frequency_hz: FloatArray
    drive_dbfs: FloatArray
    orders: IntArray
    bump_db: FloatArray
    relative: Family
    absolute: Family
    input_referred: Family
    resolved_from_hz: FloatArray
    above_floor_db: FloatArray

    def place(self, frequency_hz: float) -> float:
        """Return the grid place, with fractions, of a frequency."""
        return float(POINTS_PER_OCTAVE * math.log2(frequency_hz / self.frequency_hz[0]))

    def holds(self, frequency_hz: float) -> bool:
        """Tell whether a frequency lies on the grid, a step away from its ends."""
        return 1.0 <= self.place(frequency_hz) <= len(self.frequency_hz) - 2.0


def ladder_curves(take: SearchedTake) -> LadderCurves | None:
    """Stack a take's rungs with harmonics that did not clip; None where there is none.

    Where the neighbouring harmonics leave a window too few periods, nothing is taken to stand
    above the floor: no narrow peak can be resolved.
    """
    rungs, orders = _searchable(take)
    if not orders:
        return None

    def stacked(name: str) -> FloatArray:
        return np.array([[getattr(r.harmonics[n], name) for n in orders] for r in rungs])

    fundamental = np.array([rung.fundamental_db for rung in rungs])
    f = take.frequency_hz
    level = stacked("level_db")
    input_referred = stacked("input_referred_db")
    floor = np.maximum(stacked("floor_db"), LOWEST_FLOOR_DB)
    resolved_from_hz = _resolved_from_hz(orders, take.rate_constant_s)
    resolved = f >= resolved_from_hz[:, None]

    def family(levels: FloatArray) -> Family:
        prominence = prominences_db(levels)
        return Family(levels, prominence, surprise(levels, prominence, levels - level + floor))

    with np.errstate(invalid="ignore"):
        return LadderCurves(
            position=take.position,
            frequency_hz=f,
            drive_dbfs=np.array([rung.drive_dbfs for rung in rungs]),
            orders=np.array(orders),
            bump_db=prominences_db(fundamental[-1]),
            relative=family(level),
            absolute=family(level + fundamental[:, None, :]),
            input_referred=family(input_referred),
            resolved_from_hz=resolved_from_hz,
            above_floor_db=np.where(resolved, level - floor, np.nan),
        )


def _searchable(take: SearchedTake) -> tuple[list[Rung], list[int]]:
    """Return the unclipped rungs with harmonics, quietest first, and the orders they share."""
    clean = (rung for rung in take.rungs if rung.harmonics and not rung.clipped)
    rungs = sorted(clean, key=lambda rung: rung.drive_dbfs)
    if not rungs:
        return [], []
    shared = set.intersection(*(set(rung.harmonics) for rung in rungs))
    return rungs, sorted(order for order in shared if order <= HIGHEST_ORDER)


def _resolved_from_hz(orders: Sequence[int], rate_constant_s: float) -> FloatArray:
    """Return the played frequency from which on each order has LEAST_PERIODS to itself.

    Of the gap to the next lower order, L·ln(n/(n − 1)), half is its own; its periods are n·f.
    """
    own_s = [0.5 * rate_constant_s * math.log(n / (n - 1)) for n in orders]
    return np.asarray(LEAST_PERIODS / (np.array(orders) * np.array(own_s)))


def take_spikes(take: SearchedTake, curves: LadderCurves) -> list[SpikeSeen]:
    """Every peak of every harmonic and of THD at every clean rung, as the tester sees them."""
    seen: list[SpikeSeen] = []
    for row, drive_dbfs in enumerate(curves.drive_dbfs):
        for column, order in enumerate(curves.orders):
            curve = curves.relative.curve(row, column)
            above_floor_db = curves.above_floor_db[row, column]
            seen += _spikes(take, curve, above_floor_db, int(order), float(drive_dbfs))
    rungs = [rung for rung in take.rungs if not rung.clipped]
    level, floor = (np.array([getattr(r, n) for r in rungs]) for n in ("thd_db", "thd_floor_db"))
    prominence = prominences_db(level)
    thd = Family(level, prominence, surprise(level, prominence, floor))
    for row, rung in enumerate(rungs):
        # THD steps where an order leaves the band: no peak may lean on such a step.
        with np.errstate(invalid="ignore"):
            above_floor_db = level[row] - floor[row]
        curve = thd.curve(row)
        seen += _spikes(take, curve, above_floor_db, None, rung.drive_dbfs)
    return seen


def _spikes(
    take: SearchedTake,
    curve: Family,
    above_floor_db: FloatArray,
    order: int | None,
    drive_dbfs: float,
) -> list[SpikeSeen]:
    return [
        SpikeSeen(
            order, spike.frequency_hz, drive_dbfs, spike.level_db,
            spike.prominence_db, spike.width_octaves,
        )
        for spike in spikes_above_noise(take.frequency_hz, curve, above_floor_db)
    ]  # fmt: skip


def spikes_above_noise(
    frequency_hz: FloatArray, curve: Family, above_floor_db: FloatArray
) -> list[Spike]:
    """Return the peaks of one curve whose top is seen above the floor; arrays of shape ``(F,)``."""
    with np.errstate(invalid="ignore"):
        usable = above_floor_db >= SEEN_DB
    return find_spikes(frequency_hz, curve.level_db, curve.prominence_db, curve.surprise, usable)
