"""What filters are called in sentences."""

from __future__ import annotations

from distsweep.comparison.filters.record import BIQUAD, PEAKING, AtLevel, Filter
from distsweep.words.wording import frequency, plain, with_sign, with_unit

ALL = "all filters"
WITHOUT = "without filters"
BELL = "bell"


def name_of(one: Filter) -> str:
    """Return a filter's own name, or what it is: "low shelf at 80 Hz, +5 dB", "bell at 1 kHz"."""
    if one.name is not None:
        return one.name
    if one.kind == BIQUAD or one.frequency_hz is None:
        return one.kind
    gain = "" if one.gain_db is None else f", {gain_text(one.gain_db)}"
    kind = BELL if one.kind == PEAKING else one.kind
    return f"{kind} at {frequency(one.frequency_hz)}{gain}"


def subject_of(one: Filter, *, alone: bool) -> str:
    """Return what begins a sentence on a filter: "This shelf" where it is the only one."""
    if one.name is not None:
        return f"“{one.name}”"
    if not alone:
        return f"The {name_of(one)}"
    if one.kind == PEAKING:
        return f"This {BELL}"
    return "This shelf" if "shelf" in one.kind else f"This {one.kind}"


def level_text(at: AtLevel) -> str:
    """Write a listening level, a decimal only where it has one: "85 dB SPL"."""
    return with_unit(plain(at.level_db), at.unit)


def gain_text(gain_db: float) -> str:
    """Write a gain with its sign, and a decimal only where it has one."""
    whole = abs(gain_db - round(gain_db)) < 0.05
    return with_unit(with_sign(gain_db, 0 if whole else 1), "dB")
