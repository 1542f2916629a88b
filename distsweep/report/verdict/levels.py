"""Levels and frequencies of the verdict: whole decibels, two digits of a frequency."""

from __future__ import annotations

import math

from distsweep.words import wording

End = float | None

MIDRANGE_HZ = (200.0, 5000.0)
"""Where a peak matters most to a listener (chosen: voices and most melodies lie there)."""

FAINTLY_HEARD_HZ = 60.0
"""Below, distortion is harder to hear, and what is found there comes last (chosen: common practice
in reviews; its products still lie in the bass)."""


def in_midrange(low_hz: float, high_hz: float) -> bool:
    """Tell whether a band touches the midrange."""
    return low_hz <= MIDRANGE_HZ[1] and high_hz >= MIDRANGE_HZ[0]


def frequency(frequency_hz: float) -> str:
    """Write a frequency with two digits: "57 Hz", "1.1 kHz"."""
    return wording.frequency(float(f"{frequency_hz:.2g}"))


def frequency_range(low_hz: float, high_hz: float) -> str:
    """Write a range of frequencies with two digits each, a shared unit once."""
    low, high = frequency(low_hz), frequency(high_hz)
    if low == high:
        return low
    number, unit = low.split("\N{NO-BREAK SPACE}")
    return f"{number if high.endswith(f'{chr(0xA0)}{unit}') else low} to {high}"


def whole_range(low_db: End, high_db: End, unit: str) -> str:
    """Write what a level lies between, in whole decibels that hold it: "92–96 dB SPL".

    One that is known, both ends the same, is "about 94 dB SPL". "" where no end is known.
    """
    if low_db is None and high_db is None:
        return ""
    if low_db is None or high_db is None:
        if high_db is not None:
            return f"below {wording.with_unit(_whole(math.ceil(high_db)), unit)}"
        assert low_db is not None  # one of the two is known
        return f"above {wording.with_unit(_whole(math.floor(low_db)), unit)}"
    if low_db == high_db:
        return f"about {wording.with_unit(_whole(low_db), unit)}"
    low, high = math.floor(low_db), math.ceil(high_db)
    if low == high:
        return f"about {wording.with_unit(_whole(low), unit)}"
    return wording.with_unit(between(low, high), unit)


def between(low_db: float, high_db: float) -> str:
    """Write two whole levels, "95–97"; with a word between where one is negative."""
    dash = "–" if min(low_db, high_db) >= 0.0 else " to "
    return f"{_whole(low_db)}{dash}{_whole(high_db)}"


def _whole(level_db: float) -> str:
    return wording.signed(level_db, 0)
