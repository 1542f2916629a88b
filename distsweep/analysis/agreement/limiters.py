"""What a ladder and a staircase at one position say of the same limiter, held together."""

from __future__ import annotations

import numpy as np

from distsweep.analysis.limits.kind import LEAST_LOSS_DB, LIMITER_RATIO, THRESHOLD_KNOWN_DB
from distsweep.results import Limiter, LimiterAgreement, Staircase, Take
from distsweep.units import FloatArray

TURNED_DOWN = ("limiter", "compressor", "limiting")
ACTS = (*TURNED_DOWN, "clipping")

NEAR_OCTAVES = 1.0 / 12.0
"""The ladder's gain change at a tone is the median over so much on either side."""

SAME_GAIN_DB, SAME_GAIN_SHARE = 0.5, 0.1
"""Gain changes so near each other, or within that share, are the same (chosen: between two
steps of a staircase a knee is interpolated to a few tenths)."""

SLOPE_SLACK = 0.06
"""Output over drive, one over the ratio, that differs by less is the same (chosen: at a ratio of
4 that is four times the 5 % that a single one is good for; of steep ones it is their slopes that
are alike, not the ratios)."""

SLOW_RELEASE_MS = 80.0
"""A limiter that releases more slowly than this is still acting on what a sweep plays next."""

SLOW_ATTACK_MS = 50.0
"""A slower limiter than this may not have settled while a sweep passes its band (chosen: a sweep
of 3 s over ten octaves passes a sixth of an octave in that time)."""

WARM_DB = 0.25
"""A tone's slow sag from which heat may explain that the two differ."""

REDUCED_DB = 0.5
"""A sweep's drive counts as reduced at a tone from so much on (chosen: a limiter acts less there
by about as much as two gain changes may differ)."""


def compare_limiters(
    ladder: Take, staircase: Take, *, ladder_take: int | None = None
) -> list[LimiterAgreement]:
    """Compare what holds back each tone of a staircase with the ladder's limiter there.

    Tones outside the ladder's band, and takes that nobody judged, are left out.

    Parameters
    ----------
    ladder_take : the ladder's number among all takes, from 0; two may have the same names.
    """
    if not ladder.limiters or ladder.compression is None:
        return []
    low_hz, high_hz = float(ladder.frequency_hz[0]), float(ladder.frequency_hz[-1])
    rows = sorted(staircase.staircase, key=lambda row: row.frequency_hz)
    found = [
        _compared(ladder, staircase, row, row.limiter)
        for row in rows
        if row.limiter is not None and low_hz <= row.frequency_hz <= high_hz
    ]
    for item in found:
        item.ladder_take = ladder_take
    return found


def _compared(ladder: Take, staircase: Take, row: Staircase, tone: Limiter) -> LimiterAgreement:
    there = next(
        (
            one
            for one in ladder.limiters
            if one.band_hz is not None and one.band_hz[0] <= row.frequency_hz <= one.band_hz[1]
        ),
        Limiter("none"),
    )
    found = LimiterAgreement(
        position=ladder.position,
        ladder=ladder.stimulus,
        staircase=staircase.stimulus,
        frequency_hz=row.frequency_hz,
        state="agree",
        reason="",
        possible_cause="",
        ladder_kind=there.kind,
        staircase_kind=tone.kind,
        ladder_threshold_dbfs=_at_tone_dbfs(ladder, there, row.frequency_hz),
        staircase_threshold_dbfs=list(_bounds(tone)),
        drive_dbfs=None,
        ladder_change_db=None,
        staircase_change_db=None,
    )
    _put_changes(found, ladder, row)
    _judge(found, there, tone, ladder, row)
    if found.state == "differ":
        found.possible_cause = _possible_cause(found, ladder, staircase, row)
    return found


def _bounds(limiter: Limiter) -> tuple[float | None, float | None]:
    """Return what a threshold is known to lie between, twice the same where it is stated."""
    if limiter.threshold_dbfs is not None:
        return limiter.threshold_dbfs, limiter.threshold_dbfs
    return limiter.threshold_low_dbfs, limiter.threshold_high_dbfs


def _at_tone_dbfs(ladder: Take, limiter: Limiter, frequency_hz: float) -> list[float | None]:
    """Return a ladder's threshold in drive at a tone, where a sweep may be reduced.

    A band is judged by its drive before any reduction, so the most and the least that the drive
    is reduced by inside the band widen what the threshold lies between.
    """
    low, high = _bounds(limiter)
    if limiter.band_hz is None:
        return [low, high]
    inside = [*limiter.band_hz, frequency_hz]
    shapes = [_shape_db(ladder, one) for one in inside]
    return [
        None if low is None else low + min(shapes),
        None if high is None else high + max(shapes),
    ]


def _shape_db(ladder: Take, frequency_hz: float) -> float:
    """Return by how much the sweep's drive at a frequency differs from the one it is named by."""
    known = np.isfinite(ladder.drive_shape_db)
    if not np.any(known):
        return 0.0
    grid = np.log(ladder.frequency_hz[known])
    return float(np.interp(np.log(frequency_hz), grid, ladder.drive_shape_db[known]))


def _judge(
    found: LimiterAgreement, there: Limiter, tone: Limiter, ladder: Take, row: Staircase
) -> None:
    acts, acts_there = tone.kind in ACTS, there.kind in ACTS
    if acts and acts_there:
        if not _same_kind(there, tone):
            found.state, found.reason = "differ", "kind"
        elif not _same_threshold(found):
            found.state, found.reason = "differ", "threshold"
        elif {there.kind, tone.kind} == {"limiter", "compressor"}:
            found.reason = "name"
        return
    beyond = ""
    if acts or acts_there:
        beyond = _out_of_reach(found, there if acts_there else tone, ladder, row)
    if beyond:
        found.state, found.reason = "not compared", beyond
    elif found.ladder_change_db is None or found.staircase_change_db is None:
        found.state = "not compared"
        found.reason = "noise" if _common_rungs(ladder, row) > 1 else "no common drive"
    elif acts or acts_there:
        _judge_one_alone(found, ladder, row, acts=acts)
    elif not _same_gain(found, row):
        found.state, found.reason = "differ", "gain change"


def _judge_one_alone(found: LimiterAgreement, ladder: Take, row: Staircase, *, acts: bool) -> None:
    """Judge what only the staircase (``acts``) or only the ladder finds."""
    change_db = found.staircase_change_db if acts else found.ladder_change_db
    same = change_db is not None and change_db <= -LEAST_LOSS_DB and _same_gain(found, row)
    found.state = "not compared"
    if same and acts and _shape_db(ladder, row.frequency_hz) <= -REDUCED_DB:
        found.reason = "drive reduced"
    elif acts and _loses_as_well(found) and any(one.kind in ACTS for one in ladder.limiters):
        found.reason = "blend"
    elif same:
        found.reason = "not named"
    else:
        found.state, found.reason = "differ", "staircase only" if acts else "ladder only"


def _out_of_reach(found: LimiterAgreement, acting: Limiter, ladder: Take, row: Staircase) -> str:
    """Say why one of them cannot show the limiter that the other one found; "" where it can.

    It can from the drive on at which the limiter must take `LEAST_LOSS_DB`, which a limiter is
    judged from, unless less was lost there and by both.
    """
    silent, other = ("ladder", "staircase") if acting is row.limiter else ("staircase", "ladder")
    top_dbfs = float(row.drive_dbfs[-1])
    if silent == "ladder":
        top_dbfs = _highest_dbfs(ladder) + _shape_db(ladder, row.frequency_hz)
    low, high = getattr(found, f"{other}_threshold_dbfs")
    earliest, latest = (high if low is None else low), (low if high is None else high)
    if earliest is not None and earliest >= top_dbfs - LEAST_LOSS_DB:
        return f"{silent} played lower"
    change_db = getattr(found, f"{silent}_change_db")
    if change_db is None or found.drive_dbfs is None or not _same_gain(found, row):
        return ""
    slope = 1.0 - 1.0 / _ratio_bounds(acting)[0]
    must_lose = latest is None or (top_dbfs - latest) * slope >= LEAST_LOSS_DB
    lost_less = found.drive_dbfs >= top_dbfs - 1e-6 and change_db > -LEAST_LOSS_DB
    return "" if must_lose and not lost_less else "hardly begun"


def _same_kind(one: Limiter, other: Limiter) -> bool:
    """Tell whether two kinds may be the same: what is turned down compares its slopes."""
    if one.kind == other.kind != "limiting" or "clipping" in (one.kind, other.kind):
        return one.kind == other.kind
    (one_low, one_high), (low, high) = _ratio_bounds(one), _ratio_bounds(other)
    overlap = 1.0 / one_low >= 1.0 / high - SLOPE_SLACK
    return overlap and 1.0 / low >= 1.0 / one_high - SLOPE_SLACK


def _ratio_bounds(limiter: Limiter) -> tuple[float, float]:
    """Return the ends of a ratio; of a kind without any number what the kind allows."""
    if limiter.kind == "limiting":
        low = 1.0 if limiter.ratio_low is None else limiter.ratio_low
        return low, np.inf if limiter.ratio_high is None else limiter.ratio_high
    ratio = np.inf if limiter.ratio is None else limiter.ratio
    if limiter.ratio_low is not None:
        return limiter.ratio_low, np.inf if limiter.ratio_high is None else limiter.ratio_high
    if limiter.threshold_dbfs is None:
        return (LIMITER_RATIO, np.inf) if limiter.kind == "limiter" else (1.0, LIMITER_RATIO)
    return ratio, ratio


def _same_threshold(found: LimiterAgreement) -> bool:
    """Tell whether the two intervals meet, a stated threshold's being what it is good for."""
    (one_low, one_high), (low, high) = (
        _widened(*bounds)
        for bounds in (found.ladder_threshold_dbfs, found.staircase_threshold_dbfs)
    )
    return one_low <= high and low <= one_high


def _widened(low: float | None, high: float | None) -> tuple[float, float]:
    slack = THRESHOLD_KNOWN_DB if low == high else 0.0
    return (-np.inf if low is None else low - slack), (np.inf if high is None else high + slack)


def _highest_dbfs(ladder: Take) -> float:
    return max((rung.drive_dbfs for rung in ladder.rungs if not rung.clipped), default=-np.inf)


def _put_changes(found: LimiterAgreement, ladder: Take, row: Staircase) -> None:
    """Put in both gain changes at the highest drive that both have, re the lowest one."""
    at_tone = _ladder_change_db(ladder, row.frequency_hz)
    known = np.isfinite(row.gain_change_db)
    if np.sum(known) < 2:
        return
    drives, changes = row.drive_dbfs[known], row.gain_change_db[known]
    played = [rung.drive_dbfs + _shape_db(ladder, row.frequency_hz) for rung in ladder.rungs]
    common = [
        (dbfs, change)
        for dbfs, change, rung in zip(played, at_tone, ladder.rungs, strict=True)
        if not rung.clipped
        and np.isfinite(change)
        and drives[0] - 1e-6 <= dbfs <= drives[-1] + 1e-6
    ]
    if len(common) < 2:
        return
    (first_dbfs, first), (last_dbfs, last) = min(common), max(common)
    found.drive_dbfs = last_dbfs
    found.ladder_change_db = float(last - first)
    found.staircase_change_db = float(
        np.interp(last_dbfs, drives, changes) - np.interp(first_dbfs, drives, changes)
    )


def _common_rungs(ladder: Take, row: Staircase) -> int:
    """Return how many of a ladder's levels lie between a staircase's lowest and highest one."""
    shape_db = _shape_db(ladder, row.frequency_hz)
    low, high = float(row.drive_dbfs[0]) - 1e-6, float(row.drive_dbfs[-1]) + 1e-6
    return sum(
        low <= rung.drive_dbfs + shape_db <= high for rung in ladder.rungs if not rung.clipped
    )


def _ladder_change_db(ladder: Take, frequency_hz: float) -> FloatArray:
    assert ladder.compression is not None  # the caller looked
    near = np.abs(np.log2(ladder.frequency_hz / frequency_hz)) <= NEAR_OCTAVES
    change = np.array([row[near] for row in ladder.compression.gain_change_db])
    result = np.full(len(change), np.nan)
    known = np.any(np.isfinite(change), axis=1)
    result[known] = np.nanmedian(change[known], axis=1)
    return result


def _same_gain(found: LimiterAgreement, row: Staircase) -> bool:
    if found.ladder_change_db is None or found.staircase_change_db is None:
        return False
    most, least = found.staircase_change_db, found.staircase_change_db + _bent_db(found, row)
    apart = max(most - found.ladder_change_db, found.ladder_change_db - least)
    deeper = max(abs(found.staircase_change_db), abs(found.ladder_change_db))
    return apart <= max(SAME_GAIN_DB, SAME_GAIN_SHARE * deeper)


def _bent_db(found: LimiterAgreement, row: Staircase) -> float:
    """Return by how much less a staircase may lose than is interpolated between two of its steps.

    That is so where its threshold lies between the two: up to there nothing more is lost.
    """
    known = np.isfinite(row.gain_change_db)
    drives, changes = row.drive_dbfs[known], row.gain_change_db[known]
    dbfs, knee = found.drive_dbfs, found.staircase_threshold_dbfs[1]
    if dbfs is None or knee is None:
        return 0.0
    at = int(np.searchsorted(drives, dbfs - 1e-6))
    if at == 0 or not drives[at - 1] < knee < drives[at]:
        return 0.0
    step = slice(at - 1, at + 1)
    bent = np.interp(dbfs, [knee, drives[at]], changes[step])
    return max(0.0, float(bent - np.interp(dbfs, drives[step], changes[step])))


def _loses_as_well(found: LimiterAgreement) -> bool:
    """Tell whether the ladder loses at least half of what the staircase does.

    More is not asked: while a sweep passes from one band to the next, the first one's limiter
    is still releasing.
    """
    if found.ladder_change_db is None or found.staircase_change_db is None:
        return False
    least = max(LEAST_LOSS_DB, -0.5 * found.staircase_change_db)
    return -found.ladder_change_db >= least


def _possible_cause(found: LimiterAgreement, ladder: Take, staircase: Take, row: Staircase) -> str:
    """Return a cause that the numbers suggest: "slow", "heat", "release", "moved", or none."""
    assert row.limiter is not None  # the caller looked
    attack_ms = row.limiter.attack_ms
    if attack_ms is not None and attack_ms >= SLOW_ATTACK_MS:
        return "slow"
    if row.thermal is not None and row.thermal.seen_db >= WARM_DB:
        return "heat"
    # Whatever tone it was heard at: a sweep leaves each band for the next.
    releases = [one.limiter.release_ms for one in staircase.staircase if one.limiter is not None]
    slowly = any(release is not None and release >= SLOW_RELEASE_MS for release in releases)
    if slowly and found.ladder_change_db is not None and found.staircase_change_db is not None:
        more_db = found.staircase_change_db - found.ladder_change_db
        if 0.0 < more_db <= -0.5 * found.ladder_change_db:
            return "release"
    moved = ladder.return_check_db
    return "moved" if moved is not None and abs(moved) >= LEAST_LOSS_DB else ""
