"""The highest clean levels of a ladder: at each frequency, and over thirds of an octave."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from distsweep.analysis.limits.clean_level import find_clean_levels
from distsweep.analysis.noise.certainty import (
    CLEAR_DB,
    RELIABLE_DB,
    SEEN_DB,
    Estimate,
    NoisyPower,
    level_deviation_db,
)
from distsweep.analysis.third_octave import third_octave_bands
from distsweep.results import CleanLevel, Compression, LimiterNumbers, Rung
from distsweep.units import BoolArray, FloatArray, db_to_power, power_to_db

INDEPENDENT_SHARE = 0.2
"""Neighbouring points see some of the same noise: of the points of a third of an octave so many
count as independent ones. Measured on noise: 0.2 at 20 Hz, 0.4 at 50 Hz, 0.9 above 200 Hz with a
sweep of 6 s from 20 Hz; the short windows of a fast sweep make it less."""

LEAST_POINTS_SHARE = 0.5
"""A third of an octave is judged where so much of its points can be (chosen: most of them)."""


def ladder_clean_levels(
    frequency_hz: FloatArray,
    rungs: Sequence[Rung],
    compression: Compression,
    kept: Sequence[int],
    limiters: Sequence[LimiterNumbers] = (),
) -> tuple[list[CleanLevel], list[CleanLevel]]:
    """Return the clean levels at each frequency, and those over thirds of an octave.

    Parameters
    ----------
    frequency_hz : shape ``(F,)``.
    rungs, kept : rising in drive, and the indices of those that take part.
    limiters : what holds the ladder back: where a threshold may lie below the lowest rung, that may
        be compressed already, and no rung is known to keep within a limit of compression.

    Notes
    -----
    Over a third of an octave the squares of THD and the gain changes as power ratios are averaged,
    every point alike, and the noise's expected share is taken off the average. A narrow peak of
    THD counts for less there than at its own frequency.
    """
    drives = np.array([rungs[i].drive_dbfs for i in kept])
    fundamental_db = np.array([rungs[i].fundamental_db for i in kept])
    floor_db = np.array([rungs[i].fundamental_floor_db for i in kept])
    distortion = _distortion([rungs[i] for i in kept])
    change_db, deviation_db = _gain_changes(rungs, compression, kept)
    loss = Estimate.gaussian(-change_db, deviation_db)
    level_db = np.where(fundamental_db - floor_db >= SEEN_DB, fundamental_db, np.nan)
    no_order = np.array([rungs[i].orders_summed == 0 for i in kept])
    each = find_clean_levels(
        frequency_hz,
        drives,
        level_db,
        distortion.estimate().zero_where(no_order),
        loss.without_upper_end_where(_limited_from_below(frequency_hz, limiters)),
    )
    middles_hz, inside = third_octave_bands(frequency_hz)
    if not len(middles_hz):
        return each, []
    averaged = find_clean_levels(
        middles_hz,
        drives,
        _averaged_level_db(level_db, floor_db, inside),
        _averaged(distortion, inside).estimate().zero_where(_means(no_order, inside) > 0.5),
        _averaged_loss(change_db, deviation_db, inside).without_upper_end_where(
            _limited_from_below(middles_hz, limiters)
        ),
    )
    return each, averaged


def _distortion(rungs: Sequence[Rung]) -> NoisyPower:
    """Return the powers of the harmonics re the fundamental's, shape ``(R, F)``."""
    orders = list(rungs[0].harmonics)
    levels_db = np.array([[rung.harmonics[n].level_db for rung in rungs] for n in orders])
    floors_db = np.array([[rung.harmonics[n].floor_db for rung in rungs] for n in orders])
    above_db = np.array([rung.fundamental_db - rung.fundamental_floor_db for rung in rungs])
    relative = 2.0 * db_to_power(-above_db)
    # THD is a share of the fundamental, so that must be known, too.
    clear = above_db >= CLEAR_DB
    # What stands clear and is not called reliable is spoilt by something other than noise: a
    # window that resolves nothing, and that is so in every rung.
    spoilt = np.any(
        [(r.thd_db - r.thd_floor_db >= RELIABLE_DB) & ~r.thd_reliable for r in rungs], axis=0
    )
    found = NoisyPower.of_orders(db_to_power(levels_db), db_to_power(floors_db), relative)
    return found.known_where(clear & ~spoilt)


def _gain_changes(
    rungs: Sequence[Rung], compression: Compression, kept: Sequence[int]
) -> tuple[FloatArray, FloatArray]:
    """Return gain changes and what noise makes of them (standard deviation), dB, ``(R, F)``."""
    above_db = [rung.fundamental_db - rung.fundamental_floor_db for rung in rungs]
    moved = level_deviation_db(np.array(above_db))
    if compression.reference_drive_dbfs is None:
        nothing = np.full(moved[list(kept)].shape, np.nan)
        return nothing, nothing
    away = [abs(rung.drive_dbfs - compression.reference_drive_dbfs) for rung in rungs]
    reference = int(np.argmin(away))
    deviation = np.hypot(moved, moved[reference])
    deviation[reference] = 0.0  # its gain is what the others are compared with
    rows = list(kept)
    change = np.array([compression.gain_change_db[i] for i in rows])
    # A gain that nothing is compared with is no gain change.
    alone = np.sum(np.isfinite(change), axis=0) < 2
    return np.where(alone, np.nan, change), deviation[rows]


def _limited_from_below(frequency_hz: FloatArray, limiters: Sequence[LimiterNumbers]) -> BoolArray:
    """Tell where a limiter may act at the lowest rung already."""
    found = np.zeros(len(frequency_hz), dtype=bool)
    for limiter in limiters:
        if limiter.band_hz is not None and limiter.may_act_from_the_lowest:
            low_hz, high_hz = limiter.band_hz
            found |= (frequency_hz >= low_hz) & (frequency_hz <= high_hz)
    return found


def _means(values: FloatArray, inside: BoolArray) -> FloatArray:
    """Return the means over the points of each band, ``(R, F)`` to ``(R, B)``.

    NaN points take no part; NaN where too few are left.
    """
    held = np.isfinite(values)
    count = held @ inside.T.astype(float)
    total = np.where(held, values, 0.0) @ inside.T.astype(float)
    enough = count >= LEAST_POINTS_SHARE * np.sum(inside, axis=1)
    return np.asarray(np.where(enough, total / np.maximum(count, 1.0), np.nan))


def _independent(values: FloatArray, inside: BoolArray) -> FloatArray:
    """Return how many independent points of each band are known, one at least, ``(R, B)``."""
    count = np.isfinite(values) @ inside.T.astype(float)
    return np.asarray(np.maximum(INDEPENDENT_SHARE * count, 1.0))


def _averaged(power: NoisyPower, inside: BoolArray) -> NoisyPower:
    """Average a power over bands, with the variances that the mean then has."""
    known = np.isfinite(power.total) & np.isfinite(power.noise)
    one = power.known_where(known)
    points = _independent(one.total, inside)
    total = _means(one.total, inside)
    with np.errstate(invalid="ignore", divide="ignore"):
        return NoisyPower(
            total=total,
            noise=_means(np.where(known, one.noise, np.nan), inside),
            cross=_means(one.total * one.cross, inside) / total / points,
            spread=_means(np.where(known, one.spread, np.nan), inside) / points,
            relative=_means(one.total**2 * one.relative, inside) / total**2 / points,
        )


def _averaged_level_db(
    fundamental_db: FloatArray, floor_db: FloatArray, inside: BoolArray
) -> FloatArray:
    """Return the mean level over bands, the noise's expected share taken off; NaN if unknown."""
    noise = np.where(np.isfinite(floor_db), db_to_power(floor_db), 0.0)
    level_db = power_to_db(np.maximum(_means(db_to_power(fundamental_db) - noise, inside), 0.0))
    return np.where(np.isfinite(level_db), level_db, np.nan)


def _averaged_loss(change_db: FloatArray, deviation_db: FloatArray, inside: BoolArray) -> Estimate:
    """Return the loss of the mean gain over bands."""
    gains = db_to_power(change_db)
    mean = _means(gains, inside)
    variance = _means((gains * deviation_db) ** 2, inside) / _independent(change_db, inside)
    return Estimate.gaussian(-np.asarray(power_to_db(mean)), np.sqrt(variance) / mean)
