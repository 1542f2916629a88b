"""How loud it stays clean: at which places the verdict says so, and where nothing is known."""

from __future__ import annotations

import numpy as np

from distsweep.flag_runs import runs_of
from distsweep.report.clean_level import levels as clean_levels
from distsweep.report.verdict import levels
from distsweep.results import CleanLevel, Take
from distsweep.units import BoolArray
from distsweep.words import wording

PLACES_HZ = (63.0, 250.0, 1000.0, 8000.0)
"""Where the verdict says how loud it stays clean (chosen: bass, upper bass, midrange, treble)."""

NEAR = 2.0
"""A place stands for one of `PLACES_HZ` within this ratio of frequencies (chosen: an octave)."""


def strictest(take: Take) -> CleanLevel | None:
    """Return the clean level by the strictest limits of THD and compression; None if unknown."""
    return next(iter(clean_levels.shown(take)), None)


def places(clean: CleanLevel, unit: str) -> list[int]:
    """Return the places to be named, as indices that rise; four at most.

    All of which anything is known, or of those near each of `PLACES_HZ` the nearest.
    """
    known = said(clean, unit)
    if np.count_nonzero(known) <= len(PLACES_HZ):
        return [int(i) for i in np.flatnonzero(known)]
    found: set[int] = set()
    for place_hz in PLACES_HZ:
        away = np.abs(np.log(clean.frequency_hz / place_hz))
        away = np.where(known, away, np.inf)
        if away.size and float(np.min(away)) <= np.log(NEAR):
            found.add(int(np.argmin(away)))
    return sorted(found or {int(np.flatnonzero(known)[0])})


def distortion_limits(clean: CleanLevel) -> bool:
    """Tell whether distortion passes its limit anywhere but in the lowest bass."""
    by_thd = np.array([cause == "thd" for cause in clean.limited_by], dtype=bool)
    passed = clean_levels.in_state(clean, "reached", "bracketed") & by_thd
    return bool(np.any(passed & (clean.frequency_hz >= levels.FAINTLY_HEARD_HZ)))


def said(clean: CleanLevel, unit: str) -> BoolArray:
    """Where the highest clean level can be written in a unit, shape ``(F,)``."""
    if unit == "dB SPL":
        at, low, high = clean.level_db, clean.low_db, clean.high_db
    else:
        at, low, high = clean.drive_dbfs, clean.drive_low_dbfs, clean.drive_high_dbfs
    written = {
        "reached": np.isfinite(at),
        "bracketed": np.isfinite(low) & np.isfinite(high),
        "not reached": np.isfinite(at),
        "below": np.isfinite(high),
    }
    flags = np.zeros(clean.frequency_hz.shape, dtype=bool)
    for state, there in written.items():
        flags |= clean_levels.in_state(clean, state) & there
    return flags


def unknown_ranges(clean: CleanLevel) -> str:
    """Name where nothing is known of the clean level, the two widest ranges; "" if nowhere."""
    f = clean.frequency_hz
    runs = list(runs_of(~clean_levels.in_state(clean, *clean_levels.SAYING)))
    widest = sorted(sorted(runs, key=lambda run: run[0] - run[1])[:2])
    parts = [
        wording.frequency(float(f[first]))
        if end - first == 1
        else wording.frequency_range(float(f[first]), float(f[end - 1]))
        for first, end in widest
    ]
    more = " and elsewhere" if len(runs) > 2 else ""
    return wording.listed(parts) + more if parts else ""
