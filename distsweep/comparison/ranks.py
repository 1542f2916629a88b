"""Many sources against each other: a few figures of each, ranks as far as they are told, spreads.

A rank is a range wherever intervals leave it open: a source stands no higher than behind all that
are surely better, and no lower than before all that are surely worse. "Surely" is tried for all
other sources at once, so that the range holds a source's rank in 95 % of cases (Mogstad, Romano,
Shaikh, Wilhelm, Review of Economic Studies 91, 2024, "Inference for ranks", from memory: the
marginal confidence set, here with the limit of Šidák).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.comparison import placed
from distsweep.comparison.aligned import thirds_of
from distsweep.comparison.beyond_doubt import HALF_WIDTH_DEVIATIONS, limit_deviations
from distsweep.comparison.differences import REPEATS_DB
from distsweep.comparison.level_doubt import compared_ladder, level_doubt_db
from distsweep.results import (
    AXIS,
    SAME_DRIVE_DB,
    CleanLevel,
    Reproducibility,
    Results,
    Rung,
    Smoothed,
    SmoothedLevel,
    Take,
)
from distsweep.results.record import Record
from distsweep.units import FloatArray, db_to_power, power_to_db

CLEAN_AT_HZ = (63.0, 250.0, 1000.0, 8000.0)
"""Where highest clean levels are ranked (the issue's: bass, lower middle, middle, treble)."""

SPREAD_HZ = (100.0, 10_000.0)
"""Band over which THD is averaged and the response's unevenness is taken (chosen: within what
every loudspeaker plays, small ones and those without a tweeter's last octave)."""

TENTH = 10.0
"""Percent of the sources that lie below the low end of a spread, and above its high one."""


@dataclass(frozen=True, repr=False)
class Score(Record):
    """One figure of every source, and who is better; arrays have a value a source.

    ``low`` and ``high`` are the ends of 95 % intervals; NaN values are not known, with the ends as
    bounds. ``best_rank`` and ``worst_rank`` are what the rank lies between, 1 the best. ``code``
    is "sensitivity", "thd", "clean level" or "unevenness"; ``at`` its drive (dBFS) or frequency.
    """

    code: str
    unit: str
    at: float | None
    larger_is_better: bool
    values: FloatArray
    low: FloatArray
    high: FloatArray
    best_rank: list[int]
    worst_rank: list[int]


@dataclass(frozen=True, repr=False)
class Spread(Record):
    """Median of the sources and what all but a tenth at either end keep within, ``(F,)``."""

    frequency_hz: FloatArray
    median: FloatArray
    low: FloatArray
    high: FloatArray


def ranks(sources: Sequence[Results], position: str = AXIS) -> list[Score]:
    """Rank ladders of one position by sensitivity, THD, highest clean levels and unevenness.

    Figures that fewer than two sources have are left out.
    """
    takes = [compared_ladder(sources[0], one, position) for one in sources]
    found = [placed.reproducibility_at(one, position) for one in sources]
    pairs = list(zip(takes, found, strict=True))
    doubts_db = [_doubt_db(sources[0], one, position) for one in sources]
    drives = common_drives(takes)
    scores = []
    if drives:
        scores += [
            _score("sensitivity", "dB SPL", drives[0], True,
                   _doubted([_sensitivity(*one, drives[0]) for one in pairs], doubts_db)),
            _score("thd", "dB", drives[-1], False, _mean_thd(pairs, drives[-1])),
        ]  # fmt: skip
    unit = next((take.level_unit for take in takes if take is not None), "")
    scores += [
        _score(
            "clean level",
            unit,
            f,
            True,
            _doubted(_clean_levels(takes, f), doubts_db),
            are_bounds=True,
        )
        for f in CLEAN_AT_HZ
    ]
    if drives:
        scores.append(
            _score("unevenness", "dB", drives[0], False,
                   [_unevenness(take, drives[0]) for take in takes])
        )  # fmt: skip
    return [one for one in scores if np.sum(np.isfinite(one.low) | np.isfinite(one.high)) > 1]


def common_drives(takes: Sequence[Take | None]) -> list[float]:
    """Return the drives that every ladder played without clipping, rising; takes without are none.

    None where fewer than two ladders are there.
    """
    played = [
        [rung.drive_dbfs for rung in take.rungs if not rung.clipped]
        for take in takes
        if take is not None and take.rungs
    ]
    if len(played) < 2:
        return []
    return sorted(
        drive
        for drive in played[0]
        if all(any(abs(drive - own) <= SAME_DRIVE_DB for own in other) for other in played)
    )


def rank_ranges(
    values: FloatArray,
    low: FloatArray,
    high: FloatArray,
    *,
    larger_is_better: bool,
    are_bounds: bool = False,
) -> tuple[list[int], list[int]]:
    """Return the best and the worst rank that each value may have, 1 the best.

    Two values differ surely where their difference exceeds the root of the sum of both distances'
    squares towards each other, these stretched from 95 % for one statement to 95 % for all others
    at once; of ``are_bounds`` where their ranges do not meet. What is not known may be anywhere.
    """
    if not larger_is_better:
        values, low, high = -values, -high, -low
    count = len(values)
    low, high = np.where(np.isnan(low), -np.inf, low), np.where(np.isnan(high), np.inf, high)
    if are_bounds:
        surely = low[:, None] > high[None, :]
    else:
        stretch = limit_deviations(count - 1) / HALF_WIDTH_DEVIATIONS
        with np.errstate(invalid="ignore"):
            apart = values[:, None] - values[None, :]
            down, up = values - low, high - values
            surely = apart > stretch * np.hypot(down[:, None], up[None, :])
    better, worse = surely.sum(axis=0), surely.sum(axis=1)
    return [int(n) + 1 for n in better], [count - int(n) for n in worse]


def spread_of(frequency_hz: FloatArray, curves: Sequence[FloatArray]) -> Spread:
    """Return the spread of curves on one grid, where more than half of them are known."""
    stack = np.array(curves)
    known = np.sum(np.isfinite(stack), axis=0) > len(curves) / 2.0
    parts = np.full((3, stack.shape[1]), np.nan)
    if known.any():
        parts[:, known] = np.nanpercentile(
            np.where(np.isfinite(stack), stack, np.nan)[:, known], [50.0, TENTH, 100.0 - TENTH],
            axis=0,
        )  # fmt: skip
    return Spread(frequency_hz, *parts)


_Known = tuple[float, float, float]
"""A value with the ends of its interval."""

_UNKNOWN: _Known = (np.nan, np.nan, np.nan)


def _doubt_db(first: Results, other: Results, position: str) -> float:
    """Return what another calibration or distance than the first's leaves open of levels."""
    if other is first or compared_ladder(first, other, position) is None:
        return 0.0
    return level_doubt_db(first, other, position)


def _doubted(known: Sequence[_Known], doubts_db: Sequence[float]) -> list[_Known]:
    """Return levels with intervals widened by doubts; one that cannot be compared is not known."""
    return [
        (value, low - doubt, high + doubt) if np.isfinite(doubt) else _UNKNOWN
        for (value, low, high), doubt in zip(known, doubts_db, strict=True)
    ]


def _score(
    code: str,
    unit: str,
    at: float | None,
    larger_is_better: bool,
    known: Sequence[_Known],
    *,
    are_bounds: bool = False,
) -> Score:
    values, low, high = (np.array(part, dtype=float) for part in zip(*known, strict=True))
    best, worst = rank_ranges(
        values, low, high, larger_is_better=larger_is_better, are_bounds=are_bounds
    )
    return Score(code, unit, at, larger_is_better, values, low, high, best, worst)


def _rung(take: Take | None, drive_dbfs: float) -> Rung | None:
    rungs = take.rungs if take is not None else []
    return next((r for r in rungs if abs(r.drive_dbfs - drive_dbfs) <= SAME_DRIVE_DB), None)


def _averages(rung: Rung | None) -> Smoothed | None:
    return None if rung is None else thirds_of(rung)


def _sensitivity(take: Take | None, place: Reproducibility | None, drive_dbfs: float) -> _Known:
    """Return the level over the level band less the drive: what 0 dBFS would give undisturbed.

    Over hundreds of points noise leaves nothing open; what remains is how well levels repeat.
    """
    rung = _rung(take, drive_dbfs)
    if rung is None or rung.spl_db is None or not np.isfinite(rung.spl_db):
        return _UNKNOWN
    level = rung.spl_db - rung.drive_dbfs
    half_db = math.hypot(REPEATS_DB, placed.shared_db(place, placed.FUNDAMENTAL))
    return level, level - half_db, level + half_db


def _mean_thd(
    pairs: Sequence[tuple[Take | None, Reproducibility | None]], drive_dbfs: float
) -> list[_Known]:
    """Return THD's mean power over the bands of `SPREAD_HZ` that are bounded in every source.

    Noise errs in each band by itself, so squares of distances add up. What a placement of the
    microphone moves is counted as one error of all bands.
    """
    still = [take and placed.of_one_placement(take, place) for take, place in pairs]
    found = [_averages(_rung(take, drive_dbfs)) for take in still]
    there = [one for one in found if one is not None]
    if not there:
        return [_UNKNOWN] * len(pairs)
    bands = _within(there[0].frequency_hz)
    for one in there:
        same = np.isclose(one.frequency_hz[:, None], bands[None, :], rtol=1e-3)
        bands = bands[np.any(same & np.isfinite(one.thd.high_db)[:, None], axis=0)]
    return [
        _UNKNOWN if one is None else _mean_power(one, bands, placed.shared_db(place, "thd"))
        for one, (_, place) in zip(found, pairs, strict=True)
    ]


def _mean_power(one: Smoothed, bands_hz: FloatArray, place_db: float) -> _Known:
    columns = np.flatnonzero(np.any(np.isclose(one.frequency_hz[:, None], bands_hz, rtol=1e-3), 1))
    if not columns.size:
        return _UNKNOWN
    value, low, high = (_power(part[columns]) for part in _parts(one.thd))
    value = np.where(np.isnan(value), (low + high) / 2.0, value)
    mean = float(np.mean(value))
    down = float(np.sqrt(np.sum((value - low) ** 2))) / columns.size
    up = float(np.sqrt(np.sum((high - value) ** 2))) / columns.size
    levels = power_to_db(np.array([mean, max(mean - down, 0.0), mean + up]))
    half_db = math.hypot(REPEATS_DB, place_db)
    return float(levels[0]), float(levels[1]) - half_db, float(levels[2]) + half_db


def _power(level_db: FloatArray) -> FloatArray:
    """Return powers; a low end that is nothing is none, a value that is nothing stays unknown."""
    return np.where(np.isnan(level_db), np.nan, db_to_power(level_db))


def _parts(level: SmoothedLevel) -> tuple[FloatArray, FloatArray, FloatArray]:
    low = np.where(np.isfinite(level.low_db), level.low_db, -np.inf)
    value = np.where(np.isfinite(level.level_db), level.level_db, np.nan)
    return value, low, level.high_db


def _unevenness(take: Take | None, drive_dbfs: float) -> _Known:
    """Return the standard deviation of the response's thirds of an octave, in dB.

    Its own deviation follows from each band's by the law of propagation (JCGM 100:2008, 5.1.2).
    """
    one = _averages(_rung(take, drive_dbfs))
    if one is None:
        return _UNKNOWN
    inside = np.isin(one.frequency_hz, _within(one.frequency_hz))
    value, low, high = (part[inside] for part in _parts(one.fundamental))
    known = np.isfinite(value) & np.isfinite(low) & np.isfinite(high)
    if np.sum(known) < 2:
        return _UNKNOWN
    value, half = value[known], (high[known] - low[known]) / 2.0
    away = value - np.mean(value)
    deviation = float(np.sqrt(np.mean(away**2)))
    slope = away / (value.size * max(deviation, 1e-9))
    own = float(np.sqrt(np.sum((slope * np.hypot(half, REPEATS_DB)) ** 2)))
    return deviation, max(deviation - own, 0.0), deviation + own


def _within(frequency_hz: FloatArray) -> FloatArray:
    low, high = SPREAD_HZ
    return frequency_hz[(frequency_hz >= 0.98 * low) & (frequency_hz <= 1.02 * high)]


def _clean_levels(takes: Sequence[Take | None], frequency_hz: float) -> list[_Known]:
    """Return clean levels at a frequency by the strictest limits that all ladders have."""
    limits = strictest_limits(takes)
    return [_clean_level(take, limits, frequency_hz) for take in takes]


def strictest_limits(takes: Sequence[Take | None]) -> tuple[float, float] | None:
    """Return THD in percent and compression in dB, the strictest that all ladders have."""
    each = [
        {
            (one.thd_percent, one.compression_db)
            for one in take.clean_level_third_octave
            if one.compression_db is not None and np.isfinite(one.thd_percent)
        }
        for take in takes
        if take is not None and take.rungs
    ]
    return min(set.intersection(*each), default=None) if each else None


def clean_level_of(take: Take | None, limits: tuple[float, float] | None) -> CleanLevel | None:
    """Return a ladder's clean level by these limits over thirds of an octave."""
    found = take.clean_level_third_octave if take is not None else []
    return next((one for one in found if (one.thd_percent, one.compression_db) == limits), None)


def _clean_level(
    take: Take | None, limits: tuple[float, float] | None, frequency_hz: float
) -> _Known:
    clean = clean_level_of(take, limits)
    if clean is None:
        return _UNKNOWN
    at = np.flatnonzero(np.isclose(clean.frequency_hz, frequency_hz, rtol=1e-3))
    if not at.size or clean.state[at[0]] == "contradicted":
        return _UNKNOWN
    parts = (clean.level_db, clean.low_db, clean.high_db)
    value, low, high = (float(part[at[0]]) for part in parts)
    if clean.state[at[0]] == "not reached":
        value, low = np.nan, value if np.isnan(low) else low
    return value, low - REPEATS_DB, high + REPEATS_DB
