"""Chances that a THD is known: what may be there, how measurements scatter, how many bands pass."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from distsweep.analysis.noise.interval import RELIABLE_HALF_WIDTH_DB, NoisySum
from distsweep.units import BoolArray, FloatArray, IntArray, db_to_power

MAY_BE_DB, MAY_BE_STEP_DB = (-30.0, 40.0), 0.5
"""Where THD may lie re the noise beside it, before it is measured (chosen: 30 dB lower it is never
known, 40 dB higher it always is; in steps of the spread of a value known within 1.5 dB)."""

HALVINGS = 11
"""Bisections of the seven decades of power in which a least THD is sought (chosen: right to
0.03 dB)."""


def what_may_be_there(now: NoisySum) -> tuple[FloatArray, FloatArray]:
    """Return powers that THD may have, and their weights by what was measured, ``(R, B, T)``.

    Before it was measured a THD may lie anywhere, evenly in decibels, within `MAY_BE_DB` of the
    noise.
    """
    places_db = np.arange(MAY_BE_DB[0], MAY_BE_DB[1], MAY_BE_STEP_DB)
    true = np.maximum(now.noise, 1e-300)[..., None] * db_to_power(places_db)
    # What is measured has about a gamma distribution, of shape k, whose cube root is about Gaussian
    # (Wilson and Hilferty 1931), as in the intervals.
    mean = true + np.maximum(now.noise, 1e-300)[..., None]
    k = (mean / deviation_of(now, true)) ** 2
    with np.errstate(invalid="ignore", divide="ignore"):
        off = 3.0 * np.sqrt(k) * (np.cbrt(now.total[..., None] / mean) - 1.0 + 1.0 / (9.0 * k))
        logarithm = -0.5 * off**2 + 0.5 * np.log(k) - np.log(mean) / 3.0
        weight = np.exp(logarithm - np.max(logarithm, axis=-1, keepdims=True))
    return true, np.nan_to_num(weight / np.sum(weight, axis=-1, keepdims=True))


def deviation_of(thd: NoisySum, true: FloatArray) -> FloatArray:
    """Return by how much a measurement of a true power scatters in such noise, ``(…, B, T)``."""
    cross, spread, relative = (part[..., None] for part in (thd.cross, thd.spread, thd.relative))
    return np.sqrt(np.maximum(2.0 * true * cross + spread + relative * true**2, 1e-300))


def chance_of_enough(chance: FloatArray, judged: BoolArray, needed: IntArray) -> FloatArray:
    """Return the chance that enough bands are known, of each band's; ``(C, R)`` of ``(C, R, B)``.

    The number of known bands is counted as one independent band after the other is added.
    """
    chance = np.where(judged, chance, 0.0)
    by_count = np.zeros((*chance.shape[:2], chance.shape[2] + 1))
    by_count[..., 0] = 1.0
    for band in range(chance.shape[2]):
        one = chance[..., band, None]
        by_count[..., 1:] = by_count[..., 1:] * (1.0 - one) + by_count[..., :-1] * one
        by_count[..., :1] *= 1.0 - one
    counted = np.arange(by_count.shape[2]) >= needed[:, None]
    return np.asarray(np.sum(np.where(counted, by_count, 0.0), axis=2))


def least_known(thd: NoisySum, shift_db: FloatArray) -> FloatArray:
    """Return the least power of THD that is known in such noise, of the noise's shape."""
    noise = np.maximum(thd.noise, 1e-300)
    low, high = np.full(noise.shape, -2.0), np.full(noise.shape, 5.0)  # decades re the noise
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        _, low_db, high_db = replace(thd, total=noise * (1.0 + 10.0**middle)).interval()
        with np.errstate(invalid="ignore"):
            known = np.hypot((high_db - low_db) / 2.0, shift_db) <= RELIABLE_HALF_WIDTH_DB
        low, high = np.where(known, low, middle), np.where(known, middle, high)
    return np.asarray(noise * 10.0**high)
