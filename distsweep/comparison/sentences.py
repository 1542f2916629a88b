"""Sentences on what differs, without the source's name in front."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from distsweep.comparison.regions import Region
from distsweep.words import wording

if TYPE_CHECKING:
    from distsweep.comparison.thd_regions import Distorted

IF_NOTHING_MOVED = "if nothing moved"
"""What a statement on levels rests on without repeated placements: 1 cm at 1 m is 0.09 dB."""

MORE_THAN_REPEATS = "more than repeats differ by"
"""The same where a measurement was repeated, and what that showed is in the interval."""

TOLD_EARLIER_DB = 0.1
"""A limit that sets in elsewhere by less is not told (chosen: what levels repeat within)."""

TOLD_THD_DB = 0.3
"""A change of THD that is smaller is not told beside a harmonic's (chosen: no one reads it)."""


def _ground(repeated: bool) -> str:
    return MORE_THAN_REPEATS if repeated else IF_NOTHING_MOVED


def sensitivity(by_db: float, half_db: float, *, repeated: bool = False) -> str:
    """Tell how much louder it is at the same drive."""
    louder = "louder" if by_db > 0.0 else "quieter"
    return (
        f"{_by(by_db, by_db - half_db, by_db + half_db)} {louder} at the same drive,"
        f" {_ground(repeated)}"
    )


def response(region: Region, *, besides: bool, repeated: bool = False) -> str:
    """Tell where the response differs; ``besides`` a difference of the whole."""
    higher = "higher" if region.difference_db > 0.0 else "lower"
    more = " besides" if besides else ""
    where = _range(region)
    return f"the response is {_of(region)} {higher}{more} from {where}, {_ground(repeated)}"


def limit(
    region: Region, drives_dbfs: Sequence[float], most_dbfs: float, *, earlier_db: float
) -> str:
    """Tell how much more or less the output is held back at most, and how much earlier."""
    less = region.difference_db > 0.0
    text = f"held back {_of(region)} {'less' if less else 'more'} from {_range(region)}"
    text += f" at {wording.drive(most_dbfs)}"
    if min(drives_dbfs) < most_dbfs:
        text += f", in part from {wording.drive(min(drives_dbfs))} on"
    elif max(drives_dbfs) > most_dbfs:
        text += f", in part up to {wording.drive(max(drives_dbfs))}"
    if not abs(earlier_db) >= TOLD_EARLIER_DB:
        return text
    sooner = "earlier" if earlier_db > 0.0 else "later"
    return f"{text}, as by a limit that sets in {abs(earlier_db):.1f} dB {sooner}"


def harmonics(part: Distorted, at: Sequence[float], *, at_drive: bool) -> str:
    """Tell by how much a harmonic, or THD, differs, where, and at which drives or levels."""
    region = part.region
    higher = "higher" if region.difference_db > 0.0 else "lower"
    places = at_drives(at) if at_drive else at_levels(at)
    name = f"H{part.orders[0]}" if len(part.orders) == 1 else "THD"
    text = f"{name} is {_of(region)} {higher} from {_range(region)}, {places}"
    if len(part.orders) > 1:
        return f"{text} ({wording.listed([f'H{order}' for order in part.orders])})"
    if abs(part.thd_db) >= TOLD_THD_DB:
        text += f"; THD there {wording.with_sign(part.thd_db)} dB"
    return text


def _by(value_db: float, low_db: float, high_db: float) -> str:
    """Write a size and what it is known within; two decimals where that is under 0.2 dB.

    Of one that is bounded on one side only, the bound.
    """
    half = max(value_db - low_db, high_db - value_db)
    if not math.isfinite(half):
        return f"more than {wording.decibels(abs(value_db))}"
    places = 2 if half < 0.2 else 1
    half = math.ceil(half * 10.0**places - 1e-6) / 10.0**places
    return wording.with_unit(f"{wording.signed(abs(value_db), places)} ± {half:.{places}f}", "dB")


def _of(region: Region) -> str:
    return _by(region.difference_db, region.low_db, region.high_db)


def _range(region: Region) -> str:
    return wording.frequency_range(region.low_hz, region.high_hz)


def unseen(quantity: str, where: str, under_db: float, low_hz: float, high_hz: float) -> str:
    """Tell that nothing differs that is larger than a size, over a range."""
    under = math.ceil(10.0 * under_db - 1e-6) / 10.0
    at = f" {where}" if where else ""
    return (
        f"{quantity}{at}: no difference that this measurement can see (under"
        f" {wording.decibels(under)} from {wording.frequency_range(low_hz, high_hz)})"
    )


def nothing_common(position: str, *, at_drive: bool) -> str:
    """Tell that two ladders have no drive, or no level, in common."""
    other = "SPL" if at_drive else "drive"
    what = "drives" if at_drive else "levels"
    return (
        f"{position}: the {what} of the two ladders do not overlap (what clipped in a recording is"
        " left out), so that THD, harmonics and gain change are not compared; at equal"
        f" {other} they may be."
    )


def no_quiet_rung(position: str) -> str:
    """Tell that one ladder begins where the other's gain has changed already."""
    return (
        f"{position}: one ladder begins at a drive at which the other's gain has changed already,"
        " so that sensitivity, response and gain change are not compared there."
    )


def at_drives(drives_dbfs: Sequence[float]) -> str:
    """Name one drive, or the range of several."""
    if len(drives_dbfs) == 1:
        return f"at {wording.drive(drives_dbfs[0])}"
    return f"at {wording.plain(min(drives_dbfs))} to {wording.drive(max(drives_dbfs))}"


def at_levels(levels_db: Sequence[float]) -> str:
    """Name one level, or the range of several."""
    low, high = min(levels_db), max(levels_db)
    if len(levels_db) == 1:
        return f"at {wording.decibels(low, 'dB SPL')}"
    return f"at {wording.signed(low)} to {wording.decibels(high, 'dB SPL')}"
