"""What a ladder and a staircase at one position say of the same limiter, held together."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from distsweep.analysis.limits.limiter_kind import LEAST_LOSS_DB, LIMITER_RATIO, THRESHOLD_KNOWN_DB
from distsweep.results import TURNED_DOWN, Limiter, LimiterAgreement, Staircase, Take
from distsweep.units import FloatArray

ACTS = (*TURNED_DOWN, "clipping")

NEAR_OCTAVES = 1.0 / 12.0
"""The ladder's gain change at a tone is the median over so much on either side (chosen: a sixth of
an octave in all, as a ladder's gain change is smoothed elsewhere)."""

SAME_GAIN_DB, SAME_GAIN_SHARE = 0.5, 0.1
"""Gain changes so near each other, or within that share, are the same (chosen: between two
steps of a staircase a knee is interpolated to a few tenths)."""

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


SAME_DRIVE_DB = 1e-6
"""Drives so near each other are the same (chosen: rounding)."""

_NO_LIMITER = Limiter("none")


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
        _agreement(ladder, staircase, _AtTone(ladder, row, row.limiter), ladder_take)
        for row in rows
        if row.limiter is not None and low_hz <= row.frequency_hz <= high_hz
    ]


def _agreement(
    ladder: Take, staircase: Take, at: _AtTone, ladder_take: int | None
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
    )


@dataclass(frozen=True, eq=False)
class _AtTone:
    """A ladder and a tone of a staircase, side by side.

    The gain changes are those at ``drive_dbfs``, the highest drive that both have, re the lowest
    one; None where there are no two.
    """

    ladder: Take
    row: Staircase
    tone: Limiter

    @cached_property
    def there(self) -> Limiter:
        """The ladder's limiter at the tone; of kind "none" where it has none."""
        for one in self.ladder.limiters:
            if (
                one.band_hz is not None
                and one.band_hz[0] <= self.row.frequency_hz <= one.band_hz[1]
            ):
                return one
        return _NO_LIMITER

    @cached_property
    def shape_db(self) -> float:
        """The sweep's drive at the tone, re the one that its rungs are named by."""
        return _shape_db(self.ladder, self.row.frequency_hz)

    @cached_property
    def ladder_threshold_dbfs(self) -> tuple[float | None, float | None]:
        """What the ladder's threshold lies between, as a drive at the tone.

        A band is judged by its drive before any reduction of the sweep, so the most and the least
        that the drive is reduced by inside the band widen what the threshold lies between.
        """
        low, high = self.there.threshold_bounds_dbfs
        if self.there.band_hz is None:
            return low, high
        inside_hz = [*self.there.band_hz, self.row.frequency_hz]
        shapes = [_shape_db(self.ladder, one) for one in inside_hz]
        return (
            None if low is None else low + min(shapes),
            None if high is None else high + max(shapes),
        )

    @cached_property
    def _changes(self) -> tuple[float, float, float] | None:
        drives, changes = self.known_changes
        if len(drives) < 2:
            return None
        common = [
            (rung.drive_dbfs + self.shape_db, change)
            for rung, change in zip(self.ladder.rungs, self._ladder_changes_db(), strict=True)
            if not rung.clipped
            and np.isfinite(change)
            and _within(rung.drive_dbfs + self.shape_db, drives)
        ]
        if len(common) < 2:
            return None
        (first_dbfs, first), (last_dbfs, last) = min(common), max(common)
        before, after = np.interp([first_dbfs, last_dbfs], drives, changes)
        return last_dbfs, float(last - first), float(after - before)

    @property
    def drive_dbfs(self) -> float | None:
        """The highest drive that both have."""
        return None if self._changes is None else self._changes[0]

    @property
    def ladder_change_db(self) -> float | None:
        """The ladder's gain change there."""
        return None if self._changes is None else self._changes[1]

    @property
    def staircase_change_db(self) -> float | None:
        """The staircase's gain change there."""
        return None if self._changes is None else self._changes[2]

    @property
    def known_changes(self) -> tuple[FloatArray, FloatArray]:
        """Drives and gain changes of the tone where they are known."""
        known = np.isfinite(self.row.gain_change_db)
        return self.row.drive_dbfs[known], self.row.gain_change_db[known]

    def _ladder_changes_db(self) -> FloatArray:
        assert self.ladder.compression is not None  # the caller looked
        near = np.abs(np.log2(self.ladder.frequency_hz / self.row.frequency_hz)) <= NEAR_OCTAVES
        change = np.array([row[near] for row in self.ladder.compression.gain_change_db])
        result = np.full(len(change), np.nan)
        known = np.any(np.isfinite(change), axis=1)
        result[known] = np.nanmedian(change[known], axis=1)
        return result

    @property
    def common_rungs(self) -> int:
        """How many of the ladder's levels lie between the staircase's lowest and highest one."""
        return sum(
            _within(rung.drive_dbfs + self.shape_db, self.row.drive_dbfs)
            for rung in self.ladder.rungs
            if not rung.clipped
        )

    @property
    def same_gain(self) -> bool:
        """Whether both lose as much, as far as the staircase's steps tell."""
        ladder_db, most = self.ladder_change_db, self.staircase_change_db
        if ladder_db is None or most is None:
            return False
        apart = max(most - ladder_db, ladder_db - most - self._bent_db())
        deeper = max(abs(most), abs(ladder_db))
        return apart <= max(SAME_GAIN_DB, SAME_GAIN_SHARE * deeper)

    def _bent_db(self) -> float:
        """Return by how much less may be lost than is interpolated between two of the steps.

        That is so where the tone's threshold lies between the two: up to there nothing more is
        lost.
        """
        drives, changes = self.known_changes
        dbfs, knee = self.drive_dbfs, self.tone.threshold_bounds_dbfs[1]
        if dbfs is None or knee is None:
            return 0.0
        at = int(np.searchsorted(drives, dbfs - SAME_DRIVE_DB))
        if at == 0 or not drives[at - 1] < knee < drives[at]:
            return 0.0
        step = slice(at - 1, at + 1)
        bent = np.interp(dbfs, [knee, drives[at]], changes[step])
        return max(0.0, float(bent - np.interp(dbfs, drives[step], changes[step])))


def _within(drive_dbfs: float, drives_dbfs: FloatArray) -> bool:
    low, high = float(drives_dbfs[0]) - SAME_DRIVE_DB, float(drives_dbfs[-1]) + SAME_DRIVE_DB
    return low <= drive_dbfs <= high


def _shape_db(ladder: Take, frequency_hz: float) -> float:
    """Return by how much the sweep's drive at a frequency differs from the one it is named by."""
    known = np.isfinite(ladder.drive_shape_db)
    if not np.any(known):
        return 0.0
    grid = np.log(ladder.frequency_hz[known])
    return float(np.interp(np.log(frequency_hz), grid, ladder.drive_shape_db[known]))


def _judged(at: _AtTone) -> tuple[str, str]:
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


def _judged_alone(at: _AtTone, *, by_ladder: bool) -> tuple[str, str]:
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


def _out_of_reach(at: _AtTone, *, by_ladder: bool) -> str:
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


def _same_threshold(at: _AtTone) -> bool:
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


def _loses_as_well(at: _AtTone) -> bool:
    """Tell whether the ladder loses at least half of what the staircase does.

    More is not asked: while a sweep passes from one band to the next, the first one's limiter
    is still releasing.
    """
    if at.ladder_change_db is None or at.staircase_change_db is None:
        return False
    return -at.ladder_change_db >= max(LEAST_LOSS_DB, -0.5 * at.staircase_change_db)


def _possible_cause(at: _AtTone, staircase: Take) -> str:
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
