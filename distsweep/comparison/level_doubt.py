"""What calibrations, distances and repeats leave open of a difference of levels."""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import replace

import numpy as np

from distsweep.comparison.aligned import common_places, third_ladders
from distsweep.comparison.beyond_doubt import difference_ends
from distsweep.comparison.placed import of_one_placement, reproducibility_at
from distsweep.comparison.positions import LADDER, repeated_ladders
from distsweep.comparison.record import DRIVE
from distsweep.results import (
    AXIS,
    CleanLevel,
    RecordedCalibration,
    Results,
    Rung,
    SmoothedLevel,
    Take,
    first_take,
)
from distsweep.units import FloatArray, ratio_to_db

CALIBRATOR_LIMIT_DB = 0.40
"""Limits of the level that an acoustic calibrator of class 1 gives, to either side (IEC 60942:2003,
from memory: the laboratory's own uncertainty is in it; the edition of 2017 is narrower)."""

CALIBRATIONS_DOUBT_DB = 1.96 * math.sqrt(2.0 / 3.0) * CALIBRATOR_LIMIT_DB
"""What two calibrations with a calibrator each leave of a difference of levels, 95 %: values within
limits ±a, nothing else being known of them, have the standard uncertainty a/√3 (JCGM 100:2008,
4.3.7), those of two add by root sum of squares (5.1.2)."""

ACOUSTIC_CENTRE_M = 0.05
"""How far from where its distance is measured to a loudspeaker may sound from, 95 % (chosen: about
the depth of a small woofer's cone and the place of its tweeter)."""

NEAREST_FAR_M = 0.3
"""Nearer than this levels do not fall as a point's (chosen: a small two-way's drivers are 0.15 m
apart; at twice that the one off the axis is farther away by an eighth, 1 dB)."""

SAME_DISTANCE_RATIO = 1.01
"""Distances that differ by less count as one (chosen: 1 cm in 1 m, 0.09 dB, is as well as a
microphone is placed)."""

REPEAT_KNOWN_DB = 0.2
"""Averages whose difference noise leaves within so much, 95 %, tell how well levels repeat (chosen:
a placement that is 2 cm off at 1 m; where noise leaves more, it is in the intervals already)."""

_AT_THE_DISTANCE = re.compile(r"axis|°|\bdeg|\bdegrees?\b", re.IGNORECASE)
"""Positions that the session's `distance_m` holds for: the axis, and angles to it. Near fields have
their own, which their takes may note."""


def level_doubt_db(first: Results, other: Results, position: str = AXIS) -> float:
    """Return what leaves a difference of levels open beside noise, dB, 95 %.

    It is calibration, distance, and what repeats at the position differ by. The first two are 0
    where they cancel: one calibration, one distance. Uncalibrated on both sides counts as one
    calibration, as if no gain had been touched. inf: levels are not comparable at all, one being in
    dB SPL and the other in dBFS, or one in the near field.
    """
    ours, theirs = _ladders_at(first, other, position)
    if ours is None or theirs is None or ours.level_unit != theirs.level_unit:
        return math.inf
    squares = repeats_db(first, other, position) ** 2
    if not one_calibration(first, other, position):
        squares += CALIBRATIONS_DOUBT_DB**2
    if distances_differ(first, other, position):
        near, far = sorted(two_distances(first, other, position))
        if near < NEAREST_FAR_M:
            return math.inf
        # d(20·lg d) of an error that both distances share: their shares differ as 1/d does.
        moved = ACOUSTIC_CENTRE_M * (1.0 / near - 1.0 / far)
        squares += float(ratio_to_db(1.0 + moved)) ** 2
    return math.sqrt(squares)


def level_shift_db(first: Results, other: Results, position: str = AXIS) -> float:
    """Return what is added to the other's levels to bring them to the first's distance, dB.

    It is 20·lg(r_other/r_first), a point's in a free field. 0 where the distances are one or not
    known, at near fields, and where levels are not compared.
    """
    if not distances_differ(first, other, position):
        return 0.0
    at_m, other_m = two_distances(first, other, position)
    return 0.0 if min(at_m, other_m) < NEAREST_FAR_M else float(ratio_to_db(other_m / at_m))


def with_levels(take: Take, shift_db: float) -> Take:
    """Return a ladder with so many decibels added to its levels, those of the background left."""
    if shift_db == 0.0:
        return take

    def clean(one: CleanLevel) -> CleanLevel:
        ends = {name: getattr(one, name) + shift_db for name in ("level_db", "low_db", "high_db")}
        return replace(one, **ends)

    return replace(
        take,
        rungs=[_rung_with_levels(rung, shift_db) for rung in take.rungs],
        clean_level=[clean(one) for one in take.clean_level],
        clean_level_third_octave=[clean(one) for one in take.clean_level_third_octave],
    )


def _rung_with_levels(rung: Rung, shift_db: float) -> Rung:
    def moved(level: SmoothedLevel) -> SmoothedLevel:
        return SmoothedLevel(
            *(end + shift_db for end in (level.level_db, level.low_db, level.high_db))
        )

    return replace(
        rung,
        spl_db=None if rung.spl_db is None else rung.spl_db + shift_db,
        fundamental_db=rung.fundamental_db + shift_db,
        fundamental_floor_db=rung.fundamental_floor_db + shift_db,
        fundamental_low_db=rung.fundamental_low_db + shift_db,
        fundamental_high_db=rung.fundamental_high_db + shift_db,
        smoothed=[replace(one, fundamental=moved(one.fundamental)) for one in rung.smoothed],
    )


def _ladders_at(first: Results, other: Results, position: str) -> tuple[Take | None, Take | None]:
    ours, theirs = (first_take(side.takes, position, kind=LADDER) for side in (first, other))
    return ours, theirs


def two_distances(first: Results, other: Results, position: str) -> tuple[float, float]:
    """Return both distances in m, as noted for the take or the session; NaN where one is not."""
    at_m, other_m = (_distance_m(results, position) for results in (first, other))
    return at_m, other_m


def _distance_m(results: Results, position: str) -> float:
    distance_m = results.distance_m_at(position)
    if distance_m is None and _AT_THE_DISTANCE.search(position) is not None:
        distance_m = results.conditions.distance_m
    return distance_m or math.nan


def distances_differ(first: Results, other: Results, position: str) -> bool:
    """Tell whether a position was measured at two distances that are known."""
    near, far = sorted(two_distances(first, other, position))
    return far / near > SAME_DISTANCE_RATIO  # NaN: not known, and not different


def one_calibration(first: Results, other: Results, position: str) -> bool:
    """Tell whether levels at a position go by the same numbers, whose errors cancel."""
    ours, theirs = (calibration_at(results, position) for results in (first, other))
    if _correction(ours) != _correction(theirs):
        return False
    pascals = (ours.pascal_per_fs, theirs.pascal_per_fs)
    if None in pascals:
        return pascals == (None, None)
    # A file holds nine decimals of it.
    return math.isclose(pascals[0] or 0.0, pascals[1] or 0.0, rel_tol=1e-6, abs_tol=2e-9)


def calibration_at(results: Results, position: str) -> RecordedCalibration:
    """Return what the levels of the ladder at a position go by.

    Files of an earlier version hold the session's only.
    """
    take = first_take(results.takes, position, kind=LADDER)
    own = RecordedCalibration() if take is None else take.calibration
    calibrated = take is not None and take.level_unit == "dB SPL"
    return results.calibration if calibrated and own.pascal_per_fs is None else own


def _correction(calibration: RecordedCalibration) -> tuple[object, ...]:
    c = calibration
    return (c.mic_correction, c.mic_correction_points, c.mic_correction_largest_db)


def compared_ladder(first: Results, other: Results, position: str = AXIS) -> Take | None:
    """Return the other's ladder at a position with the levels that it is compared by.

    They are as the first's distance would have them; None where there is no ladder.
    """
    take = first_take(other.takes, position, kind=LADDER)
    if take is None or not take.rungs:
        return None
    return take if other is first else with_levels(take, level_shift_db(first, other, position))


def repeats_db(first: Results, other: Results, position: str) -> float:
    """Return by what levels of one loudspeaker differ between repeats, dB, 95 %; 0 without any.

    The larger of what the two sides show. Of one that was recorded once, the other's counts. Where
    placements were counted these are repeats within the one that is compared: what placements
    differ by is `distsweep.comparison.placed.PlaceDoubt`.
    """
    return max(_spread_db(results, position) for results in (first, other))


def is_repeated(first: Results, other: Results, position: str) -> bool:
    """Tell whether either side says how well its levels repeat."""
    placed = any(reproducibility_at(results, position) for results in (first, other))
    return placed or repeats_db(first, other, position) > 0.0


def _spread_db(results: Results, position: str) -> float:
    placed = reproducibility_at(results, position)
    takes = [of_one_placement(one, placed) for one in repeated_ladders(results, position)]
    pairs = itertools.combinations(takes, 2)
    found = np.concatenate([np.zeros(0), *(_differences_db(*pair) for pair in pairs)])
    return float(np.quantile(np.abs(found), 0.95)) if found.size else 0.0


def _differences_db(one: Take, other: Take) -> FloatArray:
    """Return known differences of thirds of an octave, at all drives that both played."""
    ladders = third_ladders(one, other)
    if ladders is None:
        return np.zeros(0)
    found = []
    for drive_dbfs in common_places(*ladders, DRIVE):
        first, second = (ladder.read(DRIVE, drive_dbfs).fundamental for ladder in ladders)
        ends = difference_ends(first, second)
        with np.errstate(invalid="ignore"):
            known = (ends.high - ends.low) / 2.0 <= REPEAT_KNOWN_DB
        found.append(ends.values[known])
    return np.concatenate([np.zeros(0), *found])
