"""Curves of two measurements around one resonance, as its shift is read from them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.results import Rung, Take
from distsweep.results.thd import SAME_DRIVE_DB
from distsweep.units import FloatArray, db_to_power, power_to_db

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

LEAST_SIGMA_DB = 0.01
"""Of a point of a curve (chosen: files hold levels to 0.0001 dB, but clocks, filters and the
deconvolution's edges agree no better between two recordings)."""

FILLED = 0.03
"""Power that fills a null, re the curve's median: −15 dB (chosen: how deep a null is depends on
hairs, and a model of one mode does not tell)."""

DB_PER_NEPER_OF_POWER = 10.0 / np.log(10.0)
"""A power that grows by a small share rises by so many dB times that, by the decibel's formula."""

NORMAL_QUANTILE = 1.96
"""Half of a 95 % interval in standard deviations, from the normal distribution's definition."""

WELL_ABOVE = 10.0
"""From so many times the noise's power on, an interval's half is a deviation (chosen: nearer to the
noise it is lopsided)."""

MOST_COMPRESSED_DB = 1.0
"""Rungs whose gain has changed by more near the mode show the limiter rather than the mode; they
are left out where another rung is left (chosen: a limiter bends curves by parts of that)."""


@dataclass(frozen=True)
class TwoCurves:
    """One curve of both measurements around a mode; arrays have shape ``(P,)``.

    Attributes
    ----------
    order, drive_dbfs : of the harmonic, 1 of the fundamental; and the drive it was read at.
    power : the order for products of a mode's own motion, 1 for what a mode radiates.
    frequency_hz : on the axis where the mode has its own frequency.
    first_db, other_db : levels, noise included.
    first_sigma_db, other_sigma_db : standard deviations of these.
    above_floor_db : of the point that stands highest above its noise, of the clearer side.
    """

    order: int
    power: int
    drive_dbfs: float
    frequency_hz: FloatArray
    first_db: FloatArray
    other_db: FloatArray
    first_sigma_db: FloatArray
    other_sigma_db: FloatArray
    above_floor_db: float


def shared_rungs(first: Take, other: Take) -> list[tuple[Rung, Rung]]:
    """Return pairs of rungs of one drive that did not clip on either side, quietest first."""
    pairs = []
    for rung in sorted(first.rungs, key=lambda rung: rung.drive_dbfs):
        for match in other.rungs:
            close = abs(match.drive_dbfs - rung.drive_dbfs) <= SAME_DRIVE_DB
            if close and not (rung.clipped or match.clipped):
                pairs.append((rung, match))
                break
    return pairs


def response_curves(first: Take, other: Take, low_hz: float, high_hz: float) -> list[TwoCurves]:
    """Return the fundamental of the loudest rungs that no limiter has turned down."""
    grid = _shared_grid(first, other)
    if grid is None:
        return []
    inside = (grid >= low_hz) & (grid <= high_hz)
    curves = []
    for pair in shared_rungs(first, other):
        levels = [_heard(r.fundamental_db, r.fundamental_floor_db, None, inside) for r in pair]
        curves += _two(1, 1, pair[0].drive_dbfs, grid[inside], levels)
    kept = [curve for curve in curves if not _compressed(curves[0], curve)]
    return _clearest(kept or curves)


def _compressed(quietest: TwoCurves, curve: TwoCurves) -> bool:
    risen_db = curve.drive_dbfs - quietest.drive_dbfs
    return any(
        bool(np.max(np.abs(now - then - risen_db)) > MOST_COMPRESSED_DB)
        for now, then in (
            (curve.first_db, quietest.first_db), (curve.other_db, quietest.other_db)
        )
    )  # fmt: skip


def product_curves(
    first: Take, other: Take, low_hz: float, high_hz: float, *, radiated: bool
) -> list[TwoCurves]:
    """Return the harmonics: those of a radiated mode as levels where they are heard, those of an
    excited one input-referred where they are played."""
    grid = _shared_grid(first, other)
    if grid is None:
        return []
    pairs = shared_rungs(first, other)
    orders = (
        sorted(set.intersection(*(set(r.harmonics) for p in pairs for r in p))) if pairs else []
    )
    curves = []
    for order in orders:
        if order > HIGHEST_ORDER:
            break
        axis_hz = grid * order if radiated else grid
        inside = (axis_hz >= low_hz) & (axis_hz <= high_hz)
        of_order = []
        for pair in pairs:
            levels = [_harmonic(rung, order, inside, radiated=radiated) for rung in pair]
            of_order += _two(
                order, 1 if radiated else order, pair[0].drive_dbfs, axis_hz[inside], levels
            )
        curves += _clearest(of_order)
    return curves


def _shared_grid(first: Take, other: Take) -> FloatArray | None:
    one, two = first.frequency_hz, other.frequency_hz
    same = len(one) == len(two) and bool(np.allclose(one, two, rtol=1e-4))
    return one if same else None


@dataclass(frozen=True)
class _Side:
    """One side's levels, their deviations, and the height above noise of the clearest point."""

    level_db: FloatArray
    sigma_db: FloatArray
    above_db: float


def _harmonic(rung: Rung, order: int, inside: np.ndarray, *, radiated: bool) -> _Side | None:
    curve = rung.harmonics[order]
    ends = (curve.low_db[inside], curve.high_db[inside]) if len(curve.high_db) else None
    side = _heard(curve.level_db, curve.floor_db, ends, inside)
    if radiated:
        return replace(side, level_db=side.level_db + rung.fundamental_db[inside])
    # The linear response at n·f re that at f, where some level has both.
    shift_db = curve.input_referred_db[inside] - curve.level_db[inside]
    held = np.isfinite(shift_db)
    if np.count_nonzero(held) < 2:
        return None
    at = np.arange(len(shift_db))
    shift_db = np.interp(at, at[held], shift_db[held])
    return replace(side, level_db=side.level_db + shift_db)


def _heard(
    level_db: FloatArray,
    floor_db: FloatArray,
    ends_db: tuple[FloatArray, FloatArray] | None,
    inside: np.ndarray,
) -> _Side:
    """Return levels with the noise in them, their standard deviations, and the clearest's height.

    Noise added to a power leaves a level that is nearly normal down to the noise; freed of it, a
    level falls to nothing. Nulls are filled, too, as the model fills them (`FILLED`). A complex
    error of mean square N moves a power P by √(2PN + N²); what intervals know of more than noise
    is kept.
    """
    level, floor = (np.asarray(part[inside], dtype=float) for part in (level_db, floor_db))
    noise = np.asarray(db_to_power(floor))
    power = np.nan_to_num(np.asarray(db_to_power(level)))
    if not np.isfinite(noise).any():
        return _Side(level, np.full(len(level), np.nan), -np.inf)
    filled = FILLED * float(np.nanmedian(power + noise))
    # The mean of three points: a point's own noise must not set its weight.
    padded = np.pad(power, 1, mode="edge")
    mean = (padded[:-2] + padded[1:-1] + padded[2:]) / 3.0
    total = power + noise + filled
    spread = np.sqrt(2.0 * mean * noise + noise**2) / np.minimum(total, mean + noise + filled)
    sigma_db = DB_PER_NEPER_OF_POWER * spread
    if ends_db is not None:
        half_db = (ends_db[1] - ends_db[0]) / (2.0 * NORMAL_QUANTILE)
        known = np.isfinite(half_db) & (power > WELL_ABOVE * noise)
        half_db = np.where(known, half_db, 0.0) * power / total
        sigma_db = np.fmax(sigma_db, half_db)
    with np.errstate(divide="ignore", invalid="ignore"):
        above_db = np.asarray(power_to_db((power + noise) / noise))
    clearest = float(np.nanmax(above_db)) if np.isfinite(above_db).any() else -np.inf
    sigma_db = np.maximum(sigma_db, LEAST_SIGMA_DB)
    return _Side(np.asarray(power_to_db(total)), sigma_db, clearest)


def _two(
    order: int, power: int, drive_dbfs: float, axis_hz: FloatArray, levels: Sequence[_Side | None]
) -> list[TwoCurves]:
    """Return the two sides as one, without points that either has not; none if too few are left."""
    one, two = levels
    if one is None or two is None:
        return []
    parts = [one.level_db, two.level_db, one.sigma_db, two.sigma_db]
    held = np.all(np.isfinite(parts), axis=0)
    above_db = max(one.above_db, two.above_db)
    if np.count_nonzero(held) < LEAST_POINTS or not above_db >= LEAST_ABOVE_FLOOR_DB:
        return []
    first_db, other_db, first_sigma_db, other_sigma_db = (part[held] for part in parts)
    return [
        TwoCurves(
            order, power, drive_dbfs, axis_hz[held], first_db, other_db,
            first_sigma_db, other_sigma_db, above_db,
        )
    ]  # fmt: skip


def _clearest(curves: list[TwoCurves]) -> list[TwoCurves]:
    ranked = sorted(curves, key=lambda curve: -curve.above_floor_db)
    return ranked[:RUNGS_OF_AN_ORDER]
