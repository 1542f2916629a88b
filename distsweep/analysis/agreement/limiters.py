"""What a ladder and a staircase at one position say of the same limiter, held together."""

from __future__ import annotations

import numpy as np

from distsweep.analysis.agreement.at_tone import SAME_DRIVE_DB, LadderAtTone
from distsweep.analysis.limits.limiter_kind import LEAST_LOSS_DB, LIMITER_RATIO, THRESHOLD_KNOWN_DB
from distsweep.results import TURNED_DOWN, Limiter, LimiterAgreement, Take

ACTS = (*TURNED_DOWN, "clipping")

SLOPE_SLACK = 0.06
"""Output over drive, one over the ratio, that differs by less is the same (chosen: at a ratio of
4 that is four times the 5 % that a single one is good for; of steep ones it is their slopes that
are alike, not the ratios)."""

SLOW_RELEASE_MS = 80.0
"""A limiter that releases more slowly than this is still acting on what a sweep plays next (chosen:
a sweep of 3 s over ten octaves passes a quarter of an octave in that time)."""

SLOW_ATTACK_MS = 50.0
"""A slower limiter than this may not have settled while a sweep passes its band (chosen: a sweep
of 3 s over ten octaves passes a sixth of an octave in that time)."""

WARM_DB = 0.25
"""A tone's slow sag from which heat may explain that the two differ (chosen: half of what two gain
changes may differ by)."""

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
    return [
        _agreement(ladder, staircase, LadderAtTone(ladder, row, row.limiter), ladder_take)
        for row in rows
        if row.limiter is not None and low_hz <= row.frequency_hz <= high_hz
    ]


def _agreement(
    ladder: Take, staircase: Take, at: LadderAtTone, ladder_take: int | None
) -> LimiterAgreement:
    state, reason = _judged(at)
    return LimiterAgreement(
        position=ladder.position,
        ladder=ladder.stimulus,
        staircase=staircase.stimulus,
        frequency_hz=at.row.frequency_hz,
        state=state,
        reason=reason,
        possible_cause=_possible_cause(at, staircase) if state == "differ" else "",
        ladder_kind=at.there.kind,
        staircase_kind=at.tone.kind,
        ladder_threshold_dbfs=list(at.ladder_threshold_dbfs),
        staircase_threshold_dbfs=list(at.tone.threshold_bounds_dbfs),
        drive_dbfs=at.drive_dbfs,
        ladder_change_db=at.ladder_change_db,
        staircase_change_db=at.staircase_change_db,
        ladder_take=ladder_take,
        ladder_change_low_db=at.ladder_ends_db[0],
        ladder_change_high_db=at.ladder_ends_db[1],
        staircase_change_low_db=at.staircase_ends_db[0],
        staircase_change_high_db=at.staircase_ends_db[1],
    )


def _judged(at: LadderAtTone) -> tuple[str, str]:
    """Return state and reason: see `LimiterAgreement`."""
    acts, acts_there = at.tone.kind in ACTS, at.there.kind in ACTS
    if acts and acts_there:
        if not _same_kind(at.there, at.tone):
            return "differ", "kind"
        if not _same_threshold(at):
            return "differ", "threshold"
        names = {at.there.kind, at.tone.kind}
        return "agree", "name" if names == {"limiter", "compressor"} else ""
    if acts or acts_there:
        beyond = _out_of_reach(at, by_ladder=acts_there)
        if beyond:
            return "not compared", beyond
    if at.drive_dbfs is None:
        return "not compared", "noise" if at.common_rungs > 1 else "no common drive"
    if acts or acts_there:
        return _judged_alone(at, by_ladder=acts_there)
    return ("agree", "") if at.same_gain else ("differ", "gain change")


def _judged_alone(at: LadderAtTone, *, by_ladder: bool) -> tuple[str, str]:
    """Judge what only the ladder or only the staircase finds."""
    change_db = at.ladder_change_db if by_ladder else at.staircase_change_db
    same = change_db is not None and change_db <= -LEAST_LOSS_DB and at.same_gain
    if not by_ladder:
        if same and at.shape_db <= -REDUCED_DB:
            return "not compared", "drive reduced"
        if _loses_as_well(at) and any(one.kind in ACTS for one in at.ladder.limiters):
            return "not compared", "blend"
    if same:
        return "not compared", "not named"
    return "differ", "ladder only" if by_ladder else "staircase only"


def _out_of_reach(at: LadderAtTone, *, by_ladder: bool) -> str:
    """Say why one of them cannot show the limiter that the other one found; "" where it can.

    It can from the drive on at which the limiter must take `LEAST_LOSS_DB`, which a limiter is
    judged from, unless less was lost there and by both.
    """
    if by_ladder:
        silent, acting, bounds = "staircase", at.there, at.ladder_threshold_dbfs
        top_dbfs, change_db = float(at.row.drive_dbfs[-1]), at.staircase_change_db
    else:
        silent, acting, bounds = "ladder", at.tone, at.tone.threshold_bounds_dbfs
        top_dbfs, change_db = _highest_dbfs(at.ladder) + at.shape_db, at.ladder_change_db
    low, high = bounds
    earliest, latest = (high if low is None else low), (low if high is None else high)
    if earliest is not None and earliest >= top_dbfs - LEAST_LOSS_DB:
        return f"{silent} played lower"
    if change_db is None or at.drive_dbfs is None or not at.same_gain:
        return ""
    slope = 1.0 - 1.0 / _ratio_bounds(acting)[0]
    must_lose = latest is None or (top_dbfs - latest) * slope >= LEAST_LOSS_DB
    lost_less = at.drive_dbfs >= top_dbfs - SAME_DRIVE_DB and change_db > -LEAST_LOSS_DB
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


def _same_threshold(at: LadderAtTone) -> bool:
    """Tell whether the two intervals meet, a stated threshold's being what it is good for."""
    (one_low, one_high), (low, high) = (
        _widened(*bounds) for bounds in (at.ladder_threshold_dbfs, at.tone.threshold_bounds_dbfs)
    )
    return one_low <= high and low <= one_high


def _widened(low: float | None, high: float | None) -> tuple[float, float]:
    slack = THRESHOLD_KNOWN_DB if low == high else 0.0
    return (-np.inf if low is None else low - slack), (np.inf if high is None else high + slack)


def _highest_dbfs(ladder: Take) -> float:
    return max((rung.drive_dbfs for rung in ladder.rungs if not rung.clipped), default=-np.inf)


def _loses_as_well(at: LadderAtTone) -> bool:
    """Tell whether the ladder loses at least half of what the staircase does.

    More is not asked: while a sweep passes from one band to the next, the first one's limiter
    is still releasing.
    """
    if at.ladder_change_db is None or at.staircase_change_db is None:
        return False
    return -at.ladder_change_db >= max(LEAST_LOSS_DB, -0.5 * at.staircase_change_db)


def _possible_cause(at: LadderAtTone, staircase: Take) -> str:
    """Return a cause that the numbers suggest: "slow", "heat", "release", "moved", or none."""
    if at.tone.attack_ms is not None and at.tone.attack_ms >= SLOW_ATTACK_MS:
        return "slow"
    if at.row.thermal is not None and at.row.thermal.seen_db >= WARM_DB:
        return "heat"
    # Whatever tone it was heard at: a sweep leaves each band for the next.
    releases = [one.limiter.release_ms for one in staircase.staircase if one.limiter is not None]
    slowly = any(release is not None and release >= SLOW_RELEASE_MS for release in releases)
    if slowly and at.ladder_change_db is not None and at.staircase_change_db is not None:
        more_db = at.staircase_change_db - at.ladder_change_db
        if 0.0 < more_db <= -0.5 * at.ladder_change_db:
            return "release"
    moved_db = at.ladder.return_check_db
    return "moved" if moved_db is not None and abs(moved_db) >= LEAST_LOSS_DB else ""
