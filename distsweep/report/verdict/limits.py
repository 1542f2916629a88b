"""What holds the output back, where, and from which level: by the ladder, and by a staircase."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from distsweep.report import reliability
from distsweep.report.verdict import levels, output
from distsweep.report.verdict.leading import Leading
from distsweep.results import TURNED_DOWN, Limiter, Results, Staircase
from distsweep.words import wording

End = float | None
Ends = tuple[End, End]

AT_THE_TOP_DB = 3.0
"""A limit that starts so little below the loudest level acts at the very top only (chosen: half the
power is left unlimited)."""


@dataclass(frozen=True)
class Limit:
    """What holds back a band, or the tones of a staircase inside it.

    ``starts_dbfs`` is what its start lies between, as the drive that names rungs or bursts;
    ``starts_db`` the output that belongs to it, dB SPL, None where nothing is calibrated.
    It reaches from ``low_hz`` to ``high_hz``, where half of the loss is left as far as that is
    known; between ``core_hz`` the gain falls together. ``by_tones`` says that only the staircase
    shows it.
    """

    kind: str
    low_hz: float
    high_hz: float
    starts_dbfs: Ends
    starts_db: Ends
    loudest_dbfs: float
    anchor: str
    by_tones: bool = False
    sag_db: float = 0.0
    core_hz: tuple[float, float] = (0.0, math.inf)

    @property
    def at_the_top(self) -> bool:
        """Whether it acts at the very top only."""
        low = self.starts_dbfs[0]
        return low is not None and low > self.loudest_dbfs - AT_THE_TOP_DB


def acting_limits(results: Results, leading: Leading) -> list[Limit]:
    """Return what holds the output back, what a listener notices first at the head.

    A limit in the midrange goes before one below, one at moderate levels before one at the top.
    """
    ladder = _one_where_they_share(_of_ladder(results, leading))
    found = ladder + _of_tones(ladder, leading)

    def order(limit: Limit) -> tuple[bool, bool, float]:
        bass = limit.high_hz < levels.FAINTLY_HEARD_HZ
        start = limit.starts_dbfs[1]
        return bass, limit.at_the_top, limit.loudest_dbfs if start is None else start

    return sorted(found, key=order)


def _of_ladder(results: Results, leading: Leading) -> list[Limit]:
    ladder = leading.ladder
    if ladder is None:
        return []
    whole_hz = (float(ladder.frequency_hz[0]), float(ladder.frequency_hz[-1]))
    loudest_dbfs = reliability.loudest_rung(ladder).drive_dbfs
    acting = [one for one in ladder.limiters if one.kind != "none"]
    limits = []
    for one, (below_hz, above_hz) in zip(acting, _half_left_hz(acting), strict=True):
        low_hz, high_hz = one.band_hz or whole_hz
        limit = Limit(one.kind, low_hz, high_hz, one.threshold_bounds_dbfs, (None, None),
                      loudest_dbfs, leading.anchor("compression"),
                      core_hz=(low_hz, high_hz))  # fmt: skip
        limit = _with_staircase(limit, results, leading)
        # Whatever the threshold of its curve, it is seen at the loudest level.
        first, last = (None if x is None else min(x, loudest_dbfs) for x in limit.starts_dbfs)
        limit = _at_band(replace(limit, starts_dbfs=(first, last)), leading)
        reach_hz = (below_hz or low_hz, above_hz or high_hz)
        limits.append(replace(limit, low_hz=reach_hz[0], high_hz=reach_hz[1]))
    return limits


def _one_where_they_share(limits: list[Limit]) -> list[Limit]:
    """Join bands that lie in each other's reach: one limit, whose levels differ over frequency.

    Where only bounds are known of a band, it takes the kind of the other. Others stay apart: a
    protection of the bass below a limit of everything reaches less far than that one.
    """
    joined: list[Limit] = []
    for one in sorted(limits, key=lambda limit: limit.core_hz):
        last = joined[-1] if joined else None
        if last is None or not _alike(last, one):
            joined.append(one)
            continue
        kind = last.kind if one.kind == "limiting" else one.kind
        core_hz = (last.core_hz[0], max(last.core_hz[1], one.core_hz[1]))
        joined[-1] = replace(_joined(last, one), kind=kind, core_hz=core_hz)
    return joined


def _alike(one: Limit, other: Limit) -> bool:
    """Tell whether two bands reach over each other's middle, and may be of one kind."""

    def reaches(limit: Limit, there: Limit) -> bool:
        return limit.low_hz <= math.sqrt(math.prod(there.core_hz)) <= limit.high_hz

    kinds = {one.kind, other.kind}
    same = len(kinds) == 1 or (len(kinds - {"limiting"}) == 1 and kinds <= set(TURNED_DOWN))
    return same and reaches(one, other) and reaches(other, one)


def _half_left_hz(acting: list[Limiter]) -> list[Ends]:
    """Return how far beyond each band half of its loss is left; nothing in earlier versions."""
    nothing: list[Ends] = [(None, None)] * len(acting)
    reasons = [reason for one in acting[:1] for reason in one.reasons]
    values = next((reason.values for reason in reasons if reason.code == "bands_fall"), {})
    pairs = zip(
        values.get("half_left_below_hz", ()), values.get("half_left_above_hz", ()), strict=False
    )
    found: list[Ends] = [(_known(below), _known(above)) for below, above in pairs]
    return found if len(found) == len(acting) else nothing


def _known(value: float | None) -> End:
    return None if value is None or not math.isfinite(value) else float(value)


def _with_staircase(limit: Limit, results: Results, leading: Leading) -> Limit:
    """Let a start span both witnesses where their thresholds differ, or take the better known."""
    assert leading.ladder is not None  # the limit is the ladder's
    low, high = limit.starts_dbfs
    for item in results.limiter_agreement:
        ladder_low, steps = item.ladder_threshold_dbfs[0], item.staircase_threshold_dbfs
        if (
            (item.state, item.reason) == ("differ", "threshold")
            and item.position == leading.ladder.position
            and limit.low_hz <= item.frequency_hz <= limit.high_hz
            and None not in (low, high, ladder_low, *steps)
        ):
            assert low is not None and high is not None and ladder_low is not None
            # Both thresholds are drives at the tone, where a sweep may be reduced.
            moved = [one - ladder_low for one in steps if one is not None]
            low, high = min(low, low + min(moved)), max(high, high + max(moved))
    return _better_known(replace(limit, starts_dbfs=(low, high)), results, leading)


def _better_known(limit: Limit, results: Results, leading: Leading) -> Limit:
    """Take kind and start from a staircase that agrees, where the ladder knows bounds only."""
    assert leading.ladder is not None  # the limit is the ladder's
    if limit.kind != "limiting":
        return limit
    agreeing_hz = [
        item.frequency_hz
        for item in results.limiter_agreement
        if item.state == "agree" and item.position == leading.ladder.position
    ]
    rows = [
        row.limiter
        for row in _rows(leading)
        if row.limiter is not None
        and row.limiter.kind in ("limiter", "compressor")
        and row.limiter.threshold_dbfs is not None
        and limit.low_hz <= row.frequency_hz <= limit.high_hz
        and any(abs(row.frequency_hz / f - 1.0) < 0.01 for f in agreeing_hz)
    ]
    starts = [one.threshold_dbfs for one in rows if one.threshold_dbfs is not None]
    low, high = limit.starts_dbfs
    # A sweep that is reduced somewhere, or tones that differ more than the bounds, add nothing.
    fits = all((low is None or low <= s) and (high is None or s <= high) for s in starts)
    if not starts or not fits or len({one.kind for one in rows}) > 1:
        return limit
    return replace(limit, kind=rows[0].kind, starts_dbfs=(min(starts), max(starts)))


def _at_band(limit: Limit, leading: Leading) -> Limit:
    ladder = leading.ladder
    assert ladder is not None  # the limit is the ladder's
    if wording.level_unit(ladder) != "dB SPL":
        return limit
    band_hz = (limit.low_hz, limit.high_hz)
    low, high = (
        None if drive is None else output.band_output_db(ladder, drive, band_hz)
        for drive in limit.starts_dbfs
    )
    return replace(limit, starts_db=(low, high))


def _of_tones(ladder: list[Limit], leading: Leading) -> list[Limit]:
    """Return what the staircase shows outside the ladder's limits, neighbours of a kind as one."""
    rows = [
        row
        for row in _rows(leading)
        if not any(one.low_hz <= row.frequency_hz <= one.high_hz for one in ladder)
    ]
    found: list[Limit] = []
    last_kind = ""
    for row in rows:
        one = _of_tone(row, leading)
        if one is None:
            last_kind = ""
        elif one.kind == last_kind:
            found[-1] = _joined(found[-1], one)
        else:
            found.append(one)
        last_kind = one.kind if one else ""
    return found


def _rows(leading: Leading) -> list[Staircase]:
    if leading.staircase is None:
        return []
    return sorted(leading.staircase.staircase, key=lambda row: row.frequency_hz)


def _of_tone(row: Staircase, leading: Leading) -> Limit | None:
    limiter = row.limiter or Limiter("none")
    staircase = leading.staircase
    assert staircase is not None  # the row is one of its
    kind, sag_db = limiter.kind, 0.0
    if kind in ("none", "thermal"):
        if row.thermal is None:
            return None
        kind, sag_db = "thermal", row.thermal.seen_db
    elif kind not in (*TURNED_DOWN, "clipping"):
        return None
    starts = (None, None) if kind == "thermal" else limiter.threshold_bounds_dbfs
    levels_db: list[End] = [None, None]
    if wording.level_unit(staircase) == "dB SPL":
        levels_db = [None if s is None else output.tone_output_db(row, s) for s in starts]
    return Limit(
        kind, row.frequency_hz, row.frequency_hz, starts, (levels_db[0], levels_db[1]),
        float(row.drive_dbfs[-1]), f"take-{leading.staircase_name}.staircase",
        by_tones=True, sag_db=sag_db,
    )  # fmt: skip


def _joined(one: Limit, other: Limit) -> Limit:
    """Join two neighbours: the start lies between the lowest and the highest of both."""

    def both(ends: Ends, others: Ends) -> Ends:
        low = None if ends[0] is None or others[0] is None else min(ends[0], others[0])
        high = None if ends[1] is None or others[1] is None else max(ends[1], others[1])
        return low, high

    return replace(
        one,
        low_hz=min(one.low_hz, other.low_hz),
        high_hz=max(one.high_hz, other.high_hz),
        starts_dbfs=both(one.starts_dbfs, other.starts_dbfs),
        starts_db=both(one.starts_db, other.starts_db),
        loudest_dbfs=max(one.loudest_dbfs, other.loudest_dbfs),
        sag_db=max(one.sag_db, other.sag_db),
    )
