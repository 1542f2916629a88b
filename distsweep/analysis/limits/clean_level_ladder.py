"""The highest clean levels of a ladder: at each frequency, and over thirds of an octave."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from distsweep.analysis.limits.clean_level import find_clean_levels
from distsweep.analysis.limits.estimate import Estimate
from distsweep.analysis.limits.gain_change import ends_of_change
from distsweep.analysis.noise.interval import LEAST_SHARE, is_reliable
from distsweep.analysis.third_octave import third_octave_bands
from distsweep.results import CleanLevel, Compression, LimiterNumbers, Rung, SmoothedLevel
from distsweep.units import BoolArray, FloatArray, db_to_power, power_to_db


def ladder_clean_levels(
    frequency_hz: FloatArray,
    rungs: Sequence[Rung],
    compression: Compression,
    limiters: Sequence[LimiterNumbers] = (),
    *,
    of_one_placement: Sequence[Rung] | None = None,
) -> tuple[list[CleanLevel], list[CleanLevel]]:
    """Return the clean levels at each frequency, and those over thirds of an octave.

    Parameters
    ----------
    frequency_hz : shape ``(F,)``.
    rungs : rising in drive, with their intervals; those that clipped in the recording take no part.
    compression : with its intervals.
    limiters : what holds the ladder back: where a threshold may lie below the lowest rung, that may
        be compressed already, and no rung is known to keep within a limit of compression.
    of_one_placement : the same rungs with the levels' intervals that noise leaves, where those of
        ``rungs`` hold what other placements show: gain changes are of one. None: ``rungs``.

    Notes
    -----
    Over a third of an octave the squares of THD and the gain changes as power ratios are averaged,
    every point alike, and the noise's expected share is taken off the average. A narrow peak of
    THD counts for less there than at its own frequency.
    """
    kept = [i for i, rung in enumerate(rungs) if not rung.clipped]
    if not kept:
        return [], []
    own = [rungs[i] for i in kept]
    drives = np.array([rung.drive_dbfs for rung in own])
    change = _gain_changes(compression, kept)
    no_order = np.array([rung.orders_summed == 0 for rung in own])
    each = find_clean_levels(
        frequency_hz,
        drives,
        _there([rung.fundamental_db for rung in own], [rung.fundamental_low_db for rung in own]),
        _distortion(own).zero_where(no_order),
        _loss(*change).without_upper_end_where(_limited_from_below(frequency_hz, limiters)),
    )
    still = rungs if of_one_placement is None else of_one_placement
    still = [still[i] for i in kept]
    return each, _over_thirds(frequency_hz, own, still, change[0], compression, limiters)


def _over_thirds(
    frequency_hz: FloatArray,
    rungs: Sequence[Rung],
    still: Sequence[Rung],
    change_db: FloatArray,
    compression: Compression,
    limiters: Sequence[LimiterNumbers],
) -> list[CleanLevel]:
    """Return the clean levels over thirds of an octave; ``still``: rungs of one placement."""
    middles_hz, inside = third_octave_bands(frequency_hz)
    if not len(middles_hz):
        return []
    drives = np.array([rung.drive_dbfs for rung in rungs])
    no_order = np.array([rung.orders_summed == 0 for rung in rungs])
    levels = [_third_octave_level(rung) for rung in still]
    change = _averaged_change(change_db, inside, levels, drives, compression)
    return find_clean_levels(
        middles_hz,
        drives,
        _there([level.level_db for level in levels], [level.low_db for level in levels]),
        _averaged_distortion(rungs).zero_where(_means(no_order, inside) > 0.5),
        _loss(*change).without_upper_end_where(_limited_from_below(middles_hz, limiters)),
    )


def _there(levels_db: Sequence[FloatArray], lows_db: Sequence[FloatArray]) -> FloatArray:
    """Return levels, NaN where noise alone may have made them, shape ``(R, F)``."""
    return np.where(np.isneginf(lows_db), np.nan, levels_db)


def _distortion(rungs: Sequence[Rung]) -> Estimate:
    """Return THD re the fundamental, shape ``(R, F)``."""
    # What is narrow enough and is not called reliable is spoilt by something other than noise: a
    # window that resolves nothing, and that is so in every rung.
    spoilt = np.any(
        [is_reliable(r.thd_low_db, r.thd_high_db) & ~r.thd_reliable for r in rungs], axis=0
    )
    return Estimate.of_power(
        np.array([rung.thd_db for rung in rungs]),
        np.array([rung.thd_low_db for rung in rungs]),
        np.array([rung.thd_high_db for rung in rungs]),
    ).unknown_where(spoilt)


def _averaged_distortion(rungs: Sequence[Rung]) -> Estimate:
    """Return THD over thirds of an octave, shape ``(R, B)``."""
    thirds = [rung.thd_third_octave for rung in rungs if rung.thd_third_octave is not None]
    return Estimate.of_power(
        np.array([one.thd_db for one in thirds]),
        np.array([one.low_db for one in thirds]),
        np.array([one.high_db for one in thirds]),
    )


def _gain_changes(compression: Compression, kept: Sequence[int]) -> list[FloatArray]:
    """Return the gain changes of some rungs and their ends, shape ``(R, F)`` each."""
    change_db, low_db, high_db = (
        np.array([part[i] for i in kept])
        for part in (
            compression.gain_change_db,
            compression.gain_change_low_db,
            compression.gain_change_high_db,
        )
    )
    # A gain that nothing is compared with is no gain change.
    alone = np.sum(np.isfinite(change_db), axis=0) < 2
    return [np.where(alone, np.nan, change_db), low_db, high_db]


def _loss(change_db: FloatArray, low_db: FloatArray, high_db: FloatArray) -> Estimate:
    """Return the compression, the negative gain change, shape ``(R, F)``."""
    return Estimate.of_level(-change_db, -high_db, -low_db)


def _averaged_change(
    change_db: FloatArray,
    inside: BoolArray,
    levels: Sequence[SmoothedLevel],
    drives_dbfs: FloatArray,
    compression: Compression,
) -> list[FloatArray]:
    """Return the gain changes over bands and their ends, shape ``(R, B)``.

    Noise moves them about as it moves the mean levels of the bands, ``levels``: 4 % farther where
    these slope by 12 dB an octave, 15 % where they do by 24, as the quieter points count alike.
    """
    mean_db = np.asarray(power_to_db(_means(db_to_power(change_db), inside)))
    if compression.reference_drive_dbfs is None:
        return [mean_db, mean_db, mean_db]  # not known
    away = np.abs(drives_dbfs - compression.reference_drive_dbfs)
    stacked = (
        np.array([getattr(level, part) for level in levels])
        for part in ("level_db", "low_db", "high_db")
    )
    return [mean_db, *ends_of_change(mean_db, *stacked, reference=int(np.argmin(away)))]


def _third_octave_level(rung: Rung) -> SmoothedLevel:
    return next(one.fundamental for one in rung.smoothed if one.bands_per_octave == 3)


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
    enough = count >= LEAST_SHARE * np.sum(inside, axis=1)
    return np.asarray(np.where(enough, total / np.maximum(count, 1.0), np.nan))
