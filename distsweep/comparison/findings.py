"""What differs between two results beyond doubt: each cause once, the largest first.

Statements are tried over thirds of an octave, all of one comparison against one limit
(`distsweep.comparison.beyond_doubt`). What another statement explains is not made again: levels and
harmonics beside a resonance that changed, harmonics where a limit sets in elsewhere, THD that is
the sum of harmonics already named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.comparison import sentences
from distsweep.comparison.aligned import Place, places, third_ladders
from distsweep.comparison.differences import Doubts
from distsweep.comparison.distortion import HarmonicDifference, compare_harmonics
from distsweep.comparison.levels import Levels, compare_levels, held_back
from distsweep.comparison.placed import FUNDAMENTAL
from distsweep.comparison.record import DRIVE, Finding, ResonanceChange
from distsweep.comparison.regions import Region, at_largest, near, regions
from distsweep.comparison.thd_regions import Distorted, distorted
from distsweep.results import Results, Take
from distsweep.results.rung_curves import Curves
from distsweep.units import BoolArray, FloatArray

MODE_REACH_OCTAVES = 0.5
"""A resonance that changed explains differences so far from it (formula: a mode of Q 16 and 15 dB
that moves by 2 % changes levels half an octave away by 0.1 dB, which is `REPEATS_DB`; one of Q 8 by
0.25 dB)."""

LIMIT_REACH_OCTAVES = 1.0
"""A limit that differs explains differing harmonics so far from its band: a limiter takes time, in
which a sweep plays on, and its edges are not sharp (chosen)."""

STEEP_DB_PER_DB = -0.25
"""A gain change that falls by less with drive tells no threshold (chosen: a ratio of 4:3)."""

STATEMENTS_A_MODE, UNLISTED_PLACES = 2, 16
"""Of each listed resonance it is tried whether it moved, and whether it went or came; and at some
places whether one moved that no search lists (by definition of
`distsweep.comparison.resonances`: 4 of either kind, twice)."""


@dataclass(frozen=True)
class Pair:
    """Two takes at one position, their places at equal drive and as aligned, and their levels."""

    first: Take
    other: Take
    doubts: Doubts
    frequency_hz: FloatArray
    driven: list[Place]
    aligned: list[Place]
    levels: Levels
    harmonics: list[HarmonicDifference]

    @property
    def tests(self) -> int:
        """How many statements are tried on it: every value that is known."""
        arrays = [self.levels.rest_deviations, self.levels.gain_change_deviations]
        arrays += [one.deviations for one in self.harmonics]
        return 1 + sum(int(np.sum(np.isfinite(array))) for array in arrays)

    @property
    def lacks_quiet_rungs(self) -> bool:
        """Whether over some bands one side has no rung as quiet as the other's unchanged gain."""
        return bool(self.levels.lacks_quiet.any())


def pair_of(first: Take, other: Take, doubts: Doubts, aligned: str) -> Pair | None:
    """Read two takes for statements; None where a file holds no averages with intervals."""
    ladders = third_ladders(first, other)
    if ladders is None:
        return None
    driven = places(first, other, DRIVE)
    at = driven if aligned == DRIVE else places(first, other, aligned)
    levels = compare_levels(ladders, driven, doubts)
    harmonics = compare_harmonics(at, doubts, levels.sensitivity_db if aligned == DRIVE else 0.0)
    return Pair(
        first, other, doubts, ladders[0].frequency_hz, driven, at, levels, harmonics
    )  # fmt: skip


def tests_of(pairs: Sequence[Pair], results: Sequence[Results]) -> int:
    """Return how many statements a comparison tries."""
    modes = sum(
        STATEMENTS_A_MODE * (len(results[0].resonances) + len(other.resonances)) + UNLISTED_PLACES
        for other in results[1:]
    )
    return max(1, sum(pair.tests for pair in pairs) + modes)


def resonance_finding(one: ResonanceChange) -> Finding:
    """Return a changed resonance as a finding, over where it is on both sides."""
    places_hz = [f for f in (one.frequency_hz, one.other_hz) if f is not None]
    return Finding(
        one.sentence, "resonance", min(places_hz), max(places_hz), None, None, None,
        change_percent=one.change_percent, deviations=one.deviations,
    )  # fmt: skip


def findings_of(
    pair: Pair, resonances: Sequence[ResonanceChange], limit: float, *, leading: bool
) -> list[Finding]:
    """Return what differs beyond doubt at one position.

    Parameters
    ----------
    resonances : those that changed beyond doubt: they explain what differs beside them.
    limit : deviations that a statement must reach.
    leading : at other positions levels are not told: in a near field a millimetre changes them.
    """
    modes_hz = [f for one in resonances for f in (one.frequency_hz, one.other_hz) if f is not None]
    held = held_back(pair.levels, limit)
    found = [*_sensitivity(pair, limit), *_response(pair, modes_hz, limit)] if leading else []
    found += _limits(pair, held)
    for part in _distortion(pair, held, modes_hz, limit):
        found.append(_harmonic_finding(pair, part))
    return found


def not_named(findings: Sequence[Finding], others: Sequence[Finding]) -> list[Finding]:
    """Return the findings that none of others names: of the same quantity, over the same bands."""

    def same(one: Finding, other: Finding) -> bool:
        if one.quantity != other.quantity or one.low_hz is None or other.low_hz is None:
            return False
        assert one.high_hz is not None and other.high_hz is not None
        return one.low_hz < other.high_hz and other.low_hz < one.high_hz

    return [one for one in findings if not any(same(one, other) for other in others)]


def _sensitivity(pair: Pair, limit: float) -> list[Finding]:
    by_db = pair.levels.found_sensitivity_db(limit)
    if not by_db:
        return []
    half = pair.doubts.shared(FUNDAMENTAL)
    f = pair.frequency_hz[np.isfinite(pair.levels.response.values)]
    return [
        Finding(
            sentences.sensitivity(by_db, half, repeated=pair.doubts.repeated),
            "sensitivity", float(f[0]), float(f[-1]), by_db, by_db - half, by_db + half,
            position=pair.first.position, deviations=abs(pair.levels.sensitivity_deviations),
        )
    ]  # fmt: skip


def _response(pair: Pair, modes_hz: Sequence[float], limit: float) -> list[Finding]:
    """Return bands whose small-signal gain differs, besides the sensitivity and changed modes."""
    levels = pair.levels
    shared = levels.found_sensitivity_db(limit)
    away = levels.rest_deviations
    with np.errstate(invalid="ignore"):
        differs = np.abs(away) > limit
    differs &= ~near(pair.frequency_hz, modes_hz, MODE_REACH_OCTAVES)
    rest = Curves(*(part - shared for part in (
        levels.response.values, levels.response.low, levels.response.high)))  # fmt: skip
    found = regions(
        pair.frequency_hz, _row(rest), away[None], differs[None],
        shared_db=pair.doubts.shared(FUNDAMENTAL),
    )  # fmt: skip
    return [
        _finding(
            pair, "fundamental", one,
            sentences.response(one, besides=bool(shared), repeated=pair.doubts.repeated),
        )
        for one in (_measured(pair, region) for region in found)
    ]  # fmt: skip


def _limits(pair: Pair, held: BoolArray) -> list[Finding]:
    """Return bands in which the output is held back by another amount."""
    found = regions(
        pair.frequency_hz,
        pair.levels.gain_change,
        pair.levels.gain_change_deviations,
        held,
        shared_db=pair.doubts.gain_db,
    )
    made = []
    for one in found:
        drives = [pair.driven[number].at for number in one.places]
        at, largest = at_largest(
            one,
            pair.frequency_hz,
            pair.levels.gain_change,
            pair.levels.gain_change_deviations,
            shared_db=pair.doubts.gain_db,
        )
        largest = _measured(pair, largest)
        text = sentences.limit(
            largest, drives, pair.driven[at].at, earlier_db=_earlier_db(pair, one, at)
        )
        made.append(_finding(pair, "gain change", largest, text, drives))
    return made


def _earlier_db(pair: Pair, region: Region, at: int) -> float:
    """Return by how many dB of drive a limit sets in earlier, NaN where it cannot be told.

    What the gain change differs by, over the slope of the first's gain change in the step below,
    where both rungs are held back.
    """
    if at == 0 or not region.cells[at - 1].any():
        return float("nan")
    bands = region.cells[at] & region.cells[at - 1]
    lower, upper = pair.driven[at - 1], pair.driven[at]
    assert lower.thirds is not None and upper.thirds is not None
    rise = upper.thirds[0].fundamental.values - lower.thirds[0].fundamental.values
    slope = rise / (upper.at - lower.at) - 1.0
    steep = bands & (slope <= STEEP_DB_PER_DB)
    if not steep.any():
        return float("nan")
    return float(np.median(pair.levels.gain_change.values[at][steep] / slope[steep]))


def _distortion(
    pair: Pair, held: BoolArray, modes_hz: Sequence[float], limit: float
) -> list[Distorted]:
    """Return regions in which harmonics differ, those of many orders as one of THD."""
    explained = _limited(pair, held)
    by_order = {}
    for one in pair.harmonics:
        with np.errstate(invalid="ignore"):
            differs = (np.abs(one.deviations) > limit) & ~explained
        beside = near(pair.frequency_hz, modes_hz, MODE_REACH_OCTAVES)
        beside |= near(one.order * pair.frequency_hz, modes_hz, MODE_REACH_OCTAVES)
        by_order[one.order] = regions(
            pair.frequency_hz, one.difference, one.deviations, differs & ~beside,
            shared_db=pair.doubts.shared(f"h{one.order}"),
        )  # fmt: skip
    return distorted(by_order, pair.aligned, pair.doubts, pair.frequency_hz)


def _limited(pair: Pair, held: BoolArray) -> BoolArray:
    """Tell where a limit that differs explains what harmonics do: from its first place on up."""
    shape = (len(pair.aligned), len(pair.frequency_hz))
    explained = np.zeros(shape, dtype=bool)
    for number, place in enumerate(pair.driven):
        bands = pair.frequency_hz[held[number]]
        if not bands.size:
            continue
        reach = near(pair.frequency_hz, list(bands), LIMIT_REACH_OCTAVES)
        assert place.thirds is not None
        begins = place.at
        if pair.aligned is not pair.driven:  # by the level that the first gives there
            begins = float(np.nanmedian(place.thirds[0].fundamental.values[held[number]]))
        for at, other in enumerate(pair.aligned):
            explained[at] |= reach & (other.at >= begins)
    return explained


def _harmonic_finding(pair: Pair, part: Distorted) -> Finding:
    part = replace(part, region=_measured(pair, part.region, min(part.orders)))
    drives = [pair.aligned[number].at for number in part.region.places]
    at_drive = pair.aligned is pair.driven
    quantity = "thd" if len(part.orders) > 1 else f"h{part.orders[0]}"
    text = sentences.harmonics(part, drives, at_drive=at_drive)
    return _finding(pair, quantity, part.region, text, drives if at_drive else [])


def _finding(
    pair: Pair, quantity: str, region: Region, sentence: str, drives: Sequence[float] = ()
) -> Finding:
    return Finding(
        sentence, quantity, region.low_hz, region.high_hz,
        region.difference_db, region.low_db, region.high_db,
        position=pair.first.position, drives_dbfs=list(drives), deviations=region.deviations,
    )  # fmt: skip


def _measured(pair: Pair, region: Region, order: int = 1) -> Region:
    """Return a region within what was measured: of a harmonic, as long as it lies inside that."""
    f = pair.first.frequency_hz
    return replace(
        region,
        low_hz=max(region.low_hz, float(f[0])),
        high_hz=min(region.high_hz, float(f[-1]) / order),
    )


def _row(curves: Curves) -> Curves:
    return Curves(curves.values[None], curves.low[None], curves.high[None])
