"""Sentences on what differs, without the source's name in front."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from distsweep.comparison.regions import Region
from distsweep.results import TURNED_DOWN, Limiter, Take
from distsweep.words import wording

if TYPE_CHECKING:
    from distsweep.comparison.thd_regions import Distorted

IF_NOTHING_MOVED = "if nothing moved"
"""What a statement on levels rests on without repeated placements: 1 cm at 1 m is 0.09 dB."""

TOLD_THD_DB = 0.3
"""A change of THD that is smaller is not told beside a harmonic's (chosen: no one reads it)."""


def sensitivity(by_db: float, half_db: float) -> str:
    """Tell how much louder it is at the same drive."""
    louder = "louder" if by_db > 0.0 else "quieter"
    return (
        f"{_by(by_db, by_db - half_db, by_db + half_db)} {louder} at the same drive,"
        f" {IF_NOTHING_MOVED}"
    )


def response(region: Region, *, besides: bool) -> str:
    """Tell where the response differs; ``besides`` a difference of the whole."""
    higher = "higher" if region.difference_db > 0.0 else "lower"
    more = " besides" if besides else ""
    return f"the response is {_of(region)} {higher}{more} from {_range(region)}, {IF_NOTHING_MOVED}"


def limit(
    first: Take, other: Take, region: Region, drives_dbfs: Sequence[float], most_dbfs: float
) -> str:
    """Tell how much more or less the output is held back, and where a limiter sets in."""
    less = region.difference_db > 0.0
    text = (
        f"held back by {_of(region)} {'less' if less else 'more'} from {_range(region)},"
        f" {_at_drives(drives_dbfs)}"
    )
    if len(drives_dbfs) > 1:
        text += f", most at {wording.drive(most_dbfs)}"
    ours, theirs = (_limiter(take, region) for take in (first, other))
    if ours is None or theirs is None or ours.threshold_dbfs is None:
        return text
    if theirs.threshold_dbfs is None or theirs.kind != ours.kind:
        return text
    return (
        f"{text}; the {ours.kind} sets in at {_level(theirs.threshold_dbfs)} instead of"
        f" {_level(ours.threshold_dbfs)}"
    )


def harmonics(part: Distorted, at: Sequence[float], *, at_drive: bool) -> str:
    """Tell by how much a harmonic, or THD, differs, where, and at which drives or levels."""
    region = part.region
    higher = "higher" if region.difference_db > 0.0 else "lower"
    places = _at_drives(at) if at_drive else _at_levels(at)
    name = f"H{part.orders[0]}" if len(part.orders) == 1 else "THD"
    text = f"{name} is {_of(region)} {higher} from {_range(region)}, {places}"
    if len(part.orders) > 1:
        return f"{text} ({wording.listed([f'H{order}' for order in part.orders])})"
    if abs(part.thd_db) >= TOLD_THD_DB:
        text += f"; THD there {wording.with_sign(part.thd_db)} dB"
    return text


def _limiter(take: Take, region: Region) -> Limiter | None:
    """Return the limiter or clipping whose band shares most with a region."""
    best, most = None, 0.0
    for one in take.limiters:
        if one.kind not in (*TURNED_DOWN, "clipping") or not one.band_hz:
            continue
        low, high = max(one.band_hz[0], region.low_hz), min(one.band_hz[1], region.high_hz)
        octaves = float(np.log2(high / low)) if high > low else 0.0
        if octaves > most:
            best, most = one, octaves
    return best


def _by(value_db: float, low_db: float, high_db: float) -> str:
    if not high_db > low_db:
        return f"more than {wording.decibels(abs(value_db))}"
    ends = (low_db, high_db) if value_db > 0.0 else (-high_db, -low_db)
    return wording.with_unit(wording.give_or_take(abs(value_db), *ends), "dB")


def _of(region: Region) -> str:
    return _by(region.difference_db, region.low_db, region.high_db)


def _range(region: Region) -> str:
    return wording.frequency_range(region.low_hz, region.high_hz)


def _level(drive_dbfs: float) -> str:
    return wording.decibels(drive_dbfs, "dBFS")


def _at_drives(drives_dbfs: Sequence[float]) -> str:
    if len(drives_dbfs) == 1:
        return f"at {wording.drive(drives_dbfs[0])}"
    return f"at {wording.plain(min(drives_dbfs))} to {wording.drive(max(drives_dbfs))}"


def _at_levels(levels_db: Sequence[float]) -> str:
    low, high = min(levels_db), max(levels_db)
    if len(levels_db) == 1:
        return f"at {wording.decibels(low, 'dB SPL')}"
    return f"at {wording.signed(low)} to {wording.decibels(high, 'dB SPL')}"
