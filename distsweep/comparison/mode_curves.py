"""Curves of two measurements around one resonance, as its shift is read from them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.comparison.mode_levels import Levels, fundamental_levels, product_levels
from distsweep.results import Rung, Take
from distsweep.units import FloatArray

HIGHEST_ORDER = 5
"""Harmonics above are left out (chosen: the search for resonances leaves them out, too)."""

RUNGS_OF_AN_ORDER = 2
"""So many rungs of each order are read, those that stand highest above their noise (chosen: 6 dB
of drive raise a second harmonic by 12 dB over its noise: a third rung adds little)."""

LEAST_ABOVE_FLOOR_DB = 3.0
"""An order is read where its loudest point near the mode stands so far above its noise (chosen:
below, its level says nothing about a shape)."""

LEAST_POINTS = 16
"""Curves with fewer points around the mode are left out (chosen: a mode on a slope has ten
unknowns)."""

MOST_APART_DB = 6.0
"""Rungs of two ladders are held against each other where their drives differ by no more (chosen:
what a mode adds to other products changes with drive, its place does not)."""

MOST_COMPRESSED_DB = 1.0
"""Rungs whose gain has changed by more near the mode show the limiter rather than the mode; they
are left out where another rung is left (chosen: a limiter bends curves by parts of that)."""


@dataclass(frozen=True)
class TwoCurves:
    """One curve of both measurements around a mode; arrays have shape ``(P,)``.

    Attributes
    ----------
    order : of the harmonic; 1 of the fundamental.
    drives_dbfs : at which the first and the other were read.
    power : the order for products of a mode's own motion, 1 for what a mode radiates.
    frequency_hz : on the axis where the mode has its own frequency.
    first_db, other_db : levels, noise included.
    first_sigma_db, other_sigma_db : standard deviations of these.
    above_floor_db : of the point that stands highest above its noise, of the clearer side.
    """

    order: int
    power: int
    drives_dbfs: tuple[float, float]
    frequency_hz: FloatArray
    first_db: FloatArray
    other_db: FloatArray
    first_sigma_db: FloatArray
    other_sigma_db: FloatArray
    above_floor_db: float


def paired_rungs(first: Take, other: Take) -> list[tuple[Rung, Rung]]:
    """Pair the rungs that did not clip, each one of the first with the other's of nearest drive.

    Quietest first.
    """
    pairs, left = [], [rung for rung in other.rungs if not rung.clipped]
    for rung in sorted(first.rungs, key=lambda rung: rung.drive_dbfs):
        away = [abs(match.drive_dbfs - rung.drive_dbfs) for match in left]
        if not rung.clipped and away and min(away) <= MOST_APART_DB:
            pairs.append((rung, left.pop(away.index(min(away)))))
    return pairs


def response_curves(first: Take, other: Take, low_hz: float, high_hz: float) -> list[TwoCurves]:
    """Return the fundamental of the loudest rungs that no limiter has turned down."""
    grids = [take.frequency_hz for take in (first, other)]
    insides = [(grid >= low_hz) & (grid <= high_hz) for grid in grids]
    curves = []
    for pair in paired_rungs(first, other):
        one, two = (
            fundamental_levels(rung, grid, inside)
            for rung, grid, inside in zip(pair, grids, insides, strict=True)
        )
        curves += _two(1, 1, pair, one, two)
    kept = [curve for curve in curves if not _compressed(curves[0], curve)]
    return _clearest(kept or curves)


def _compressed(quietest: TwoCurves, curve: TwoCurves) -> bool:
    """Tell whether either side's gain has changed since the quietest rung."""
    now, then = (
        np.array([c.first_db - c.drives_dbfs[0], c.other_db - c.drives_dbfs[1]])
        for c in (curve, quietest)
    )
    return bool(now.shape == then.shape and np.max(np.abs(now - then)) > MOST_COMPRESSED_DB)


def product_curves(
    first: Take, other: Take, low_hz: float, high_hz: float, *, radiated: bool
) -> list[TwoCurves]:
    """Return the harmonics: those of a radiated mode as levels where they are heard, those of an
    excited one input-referred where they are played."""
    pairs = paired_rungs(first, other)
    shared = [set(rung.harmonics) for pair in pairs for rung in pair]
    curves = []
    for order in sorted(set.intersection(*shared) if shared else ()):
        if order > HIGHEST_ORDER:
            break
        axes = [take.frequency_hz * (order if radiated else 1) for take in (first, other)]
        insides = [(axis >= low_hz) & (axis <= high_hz) for axis in axes]
        of_order = []
        for pair in pairs:
            one, two = (
                product_levels(rung, order, axis, inside, radiated=radiated)
                for rung, axis, inside in zip(pair, axes, insides, strict=True)
            )
            of_order += _two(order, 1 if radiated else order, pair, one, two)
        curves += _clearest(of_order)
    return curves


def _two(
    order: int, power: int, rungs: tuple[Rung, Rung], one: Levels | None, two: Levels | None
) -> list[TwoCurves]:
    """Return the two sides as one, without points that either has not; none if too few are left."""
    if one is None or two is None:
        return []
    two = two.on(one.frequency_hz)
    parts = [one.level_db, two.level_db, one.sigma_db, two.sigma_db]
    held = np.all(np.isfinite(parts), axis=0)
    above_db = max(one.above_db, two.above_db)
    if np.count_nonzero(held) < LEAST_POINTS or not above_db >= LEAST_ABOVE_FLOOR_DB:
        return []
    first_db, other_db, first_sigma_db, other_sigma_db = (part[held] for part in parts)
    return [
        TwoCurves(
            order, power, (rungs[0].drive_dbfs, rungs[1].drive_dbfs), one.frequency_hz[held],
            first_db, other_db, first_sigma_db, other_sigma_db, above_db,
        )
    ]  # fmt: skip


def _clearest(curves: list[TwoCurves]) -> list[TwoCurves]:
    ranked = sorted(curves, key=lambda curve: -curve.above_floor_db)
    return ranked[:RUNGS_OF_AN_ORDER]
