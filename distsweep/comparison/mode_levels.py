"""Levels of one rung around a mode with the noise in them, and how well each is known."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from distsweep.comparison.beyond_doubt import HALF_WIDTH_DEVIATIONS
from distsweep.results import Rung
from distsweep.units import BoolArray, FloatArray, db_to_power, power_to_db

LEAST_SIGMA_DB = 0.01
"""Of a point of a curve (chosen: files hold levels to 0.0001 dB, but clocks, filters and the
deconvolution's edges agree no better between two recordings)."""

FILLED = 0.03
"""Power that fills a null, re the curve's median: −15 dB (chosen: how deep a null is depends on
hairs, and a model of one mode does not tell)."""

DB_PER_NEPER_OF_POWER = 10.0 / np.log(10.0)
"""A power that grows by a small share rises by so many dB times that, by the decibel's formula."""

WELL_ABOVE = 10.0
"""From so many times the noise's power on, an interval's half is a deviation (chosen: nearer to the
noise it is lopsided)."""

INTERPOLATED_SHARE = 0.25
"""Part of a level's second difference that a cubic between points may miss, one standard deviation
(chosen: of a mode as wide as two steps of the grid a cubic misses about so much)."""


@dataclass(frozen=True)
class Levels:
    """Levels of one rung; arrays have shape ``(P,)``.

    Attributes
    ----------
    frequency_hz : on the axis where the mode has its own frequency.
    level_db, sigma_db : with the noise in them, and their standard deviations; NaN: not known.
    above_db : height of the clearest over its noise.
    """

    frequency_hz: FloatArray
    level_db: FloatArray
    sigma_db: FloatArray
    above_db: float

    def on(self, frequency_hz: FloatArray) -> Levels:
        """Return them at other frequencies, by a cubic through the four points around each.

        Both grids have even steps of log-frequency. NaN outside.
        """
        one, two = self.frequency_hz, frequency_hz
        if len(one) == len(two) and np.allclose(one, two, rtol=SAME_GRID):
            return self
        if len(one) < 4 or not len(two):
            return replace(self, frequency_hz=two, level_db=two * np.nan, sigma_db=two * np.nan)
        place = np.log(two / one[0]) / np.log(one[1] / one[0])
        outside = (place < 0.0) | (place > len(one) - 1.0)
        at = np.clip(np.floor(place).astype(int), 1, len(one) - 3)
        x = place - at
        weights = np.array([
            -x * (x - 1.0) * (x - 2.0) / 6.0, (x + 1.0) * (x - 1.0) * (x - 2.0) / 2.0,
            -(x + 1.0) * x * (x - 2.0) / 2.0, (x + 1.0) * x * (x - 1.0) / 6.0,
        ])  # fmt: skip
        around = self.level_db[at + np.arange(-1, 3)[:, None]]
        bent_db = np.max(np.abs(np.diff(around, n=2, axis=0)), axis=0)
        between = 4.0 * np.abs(x * (1.0 - x))
        sigma_db = np.hypot(
            np.interp(place, np.arange(len(one)), self.sigma_db),
            INTERPOLATED_SHARE * bent_db * between,
        )
        level_db = np.sum(weights * around, axis=0)
        level_db[outside] = np.nan
        return Levels(two, level_db, np.asarray(sigma_db), self.above_db)


SAME_GRID = 1e-4
"""Grids whose frequencies differ by a smaller share are one (chosen: a hundredth of a step)."""


def fundamental_levels(rung: Rung, frequency_hz: FloatArray, inside: BoolArray) -> Levels:
    """Return the fundamental at the points ``inside`` of a grid."""
    ends = (rung.fundamental_low_db, rung.fundamental_high_db)
    return _heard(frequency_hz, rung.fundamental_db, rung.fundamental_floor_db, ends, inside)


def product_levels(
    rung: Rung, order: int, axis_hz: FloatArray, inside: BoolArray, *, radiated: bool
) -> Levels | None:
    """Return a harmonic: of a radiated mode as it is heard, of an excited one input-referred."""
    curve = rung.harmonics[order]
    ends = (curve.low_db, curve.high_db)
    side = _heard(axis_hz, curve.level_db, curve.whole_floor_db, ends, inside)
    if radiated:
        return replace(side, level_db=side.level_db + rung.fundamental_db[inside])
    # The linear response at n·f re that at f, where some level has both.
    with np.errstate(invalid="ignore"):  # −inf: a level that noise hides
        shift_db = curve.input_referred_db[inside] - curve.level_db[inside]
    held = np.isfinite(shift_db)
    if np.count_nonzero(held) < 2:
        return None
    at = np.arange(len(shift_db))
    shift_db = np.interp(at, at[held], shift_db[held])
    return replace(side, level_db=side.level_db + shift_db)


def _heard(
    axis_hz: FloatArray,
    level_db: FloatArray,
    floor_db: FloatArray,
    ends_db: tuple[FloatArray, FloatArray],
    inside: BoolArray,
) -> Levels:
    """Return levels with the noise in them, their standard deviations, and the clearest's height.

    Noise added to a power leaves a level that is nearly normal down to the noise; freed of it, a
    level falls to nothing. Nulls are filled, too, as the model fills them (`FILLED`). A complex
    error of mean square N moves a power P by √(2PN + N²); what intervals know of more than noise
    is kept.
    """
    level, floor = (np.asarray(part[inside], dtype=float) for part in (level_db, floor_db))
    noise = np.asarray(db_to_power(floor))
    power = np.nan_to_num(np.asarray(db_to_power(level)))
    axis_hz, known = axis_hz[inside], np.isfinite(level)
    if not (np.isfinite(noise) & known).any():
        return Levels(axis_hz, level * np.nan, level * np.nan, -np.inf)
    filled = FILLED * float(np.nanmedian(power + noise))
    # The mean of three points: a point's own noise must not set its weight.
    padded = np.pad(power, 1, mode="edge")
    mean = (padded[:-2] + padded[1:-1] + padded[2:]) / 3.0
    total = power + noise + filled
    with np.errstate(invalid="ignore", divide="ignore"):
        spread = np.sqrt(2.0 * mean * noise + noise**2) / np.minimum(total, mean + noise + filled)
    sigma_db = DB_PER_NEPER_OF_POWER * spread
    if all(len(end) for end in ends_db):
        low_db, high_db = (end[inside] for end in ends_db)
        with np.errstate(invalid="ignore"):
            half_db = (high_db - low_db) / (2.0 * HALF_WIDTH_DEVIATIONS)
        clear = np.isfinite(half_db) & (power > WELL_ABOVE * noise)
        share = np.divide(power, total, out=np.zeros_like(power), where=total > 0.0)
        sigma_db = np.fmax(sigma_db, np.where(clear, half_db, 0.0) * share)
        # A level that noise hides has a high end; one that was not measured has none.
        known |= np.isfinite(high_db)
    with np.errstate(divide="ignore", invalid="ignore"):
        above_db = np.asarray(power_to_db((power + noise) / noise))
    clearest = float(np.max(above_db[np.isfinite(above_db)], initial=-np.inf))
    heard_db = np.where(known, power_to_db(total), np.nan)
    return Levels(axis_hz, heard_db, np.maximum(sigma_db, LEAST_SIGMA_DB), clearest)
