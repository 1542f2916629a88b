"""The highest clean level in the report: what is shown of it, and the lowest of several places."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from distsweep.analysis.limits.crossing import STATED_WITHIN_DB
from distsweep.results import CleanLevel, Take
from distsweep.units import BoolArray, FloatArray
from distsweep.words import wording

SAYING = ("reached", "bracketed", "not reached", "below")
"""States that say something of the highest clean level."""


def coarse(take: Take) -> list[CleanLevel]:
    """Return what sentences, table and figure rest on: thirds of an octave, or a staircase's tones.

    Empty for a ladder of an earlier version: no single point of its grid is quoted.
    """
    return take.clean_level if take.staircase else take.clean_level_third_octave


def shown(take: Take) -> list[CleanLevel]:
    """Limits of distortion and compression together that say something, strictest first."""
    return [c for c in both_limits(take) if np.any(in_state(c, *SAYING))]


def both_limits(take: Take) -> list[CleanLevel]:
    """Limits of distortion and compression together, strictest first; frequencies rise."""
    return [
        _in_order(c)
        for c in coarse(take)
        if c.compression_db is not None and np.isfinite(c.thd_percent)
    ]


def _in_order(clean: CleanLevel) -> CleanLevel:
    """Return the same with its frequencies rising: tones are kept as they were played."""
    order = np.argsort(clean.frequency_hz)
    arrays: dict[str, Any] = {
        name: value[order] for name, value in vars(clean).items() if isinstance(value, np.ndarray)
    }
    return dataclasses.replace(
        clean,
        **arrays,
        state=[clean.state[i] for i in order],
        limited_by=[clean.limited_by[i] for i in order],
    )


EXACT_DB = 1.0
"""A level whose ends are farther apart is written in whole decibels (chosen: ±0.5 dB)."""


def in_state(clean: CleanLevel, *states: str) -> BoolArray:
    """Where a clean level is in one of some states, shape ``(F,)``.

    On the page a level between two known ends counts as bracketed however far apart they are.
    """
    state = np.array(clean.state, dtype="<U12")
    between_known_ends = np.isfinite(clean.drive_low_dbfs) & np.isfinite(clean.drive_high_dbfs)
    return np.isin(np.where(between_known_ends & (state == "unknown"), "bracketed", state), states)


def limit_words(clean: CleanLevel) -> str:
    """Name the limits, "1 % THD or 1 dB of compression"."""
    thd = wording.with_unit(f"{clean.thd_percent:g}", "%")
    loss = wording.with_unit(f"{clean.compression_db:g}", "dB")
    return f"{thd} THD or {loss} of compression"


def headline(take: Take) -> CleanLevel | None:
    """Return the lowest clean level by the strictest limits, as one place.

    None where nothing is known. ``frequency_hz`` and ``limited_by`` are those of the place with
    the lowest end. Levels are NaN: the same drive gives each frequency a level of its own.
    """
    strict = next(iter(shown(take)), None)
    return None if strict is None else lowest(strict, in_state(strict, *SAYING))


def lowest(clean: CleanLevel, flags: BoolArray) -> CleanLevel:
    """Return the lowest clean level of some places: it lies below every one's high end.

    It is stated where the lowest of those stated is lower than all that is known of the others.
    """
    low, high = ends(clean)
    at = np.where(in_state(clean, "reached"), clean.drive_dbfs, np.inf)
    low, high, at = low[flags], high[flags], at[flags]
    least_dbfs, stated_dbfs, most_dbfs = (float(np.min(drives)) for drives in (low, at, high))
    # Where another place may be lower than the stated one, both their ends count.
    near = max(stated_dbfs - least_dbfs, most_dbfs - stated_dbfs) <= STATED_WITHIN_DB
    if np.isinf(least_dbfs):
        state = "below"
    elif np.isinf(most_dbfs):
        state = "not reached"
    else:
        state = "reached" if near else "bracketed"
    drive_dbfs = {"reached": stated_dbfs, "not reached": least_dbfs}.get(state, np.nan)
    first = int(np.flatnonzero(flags)[np.argmin(at if state == "reached" else low)])
    nothing = np.array([np.nan])
    finite = [np.array([d if np.isfinite(d) else np.nan]) for d in (least_dbfs, most_dbfs)]
    return dataclasses.replace(
        clean,
        frequency_hz=clean.frequency_hz[first : first + 1],
        level_db=nothing,
        low_db=nothing,
        high_db=nothing,
        drive_dbfs=np.array([drive_dbfs]),
        drive_low_dbfs=finite[0],
        drive_high_dbfs=finite[1],
        state=[state],
        limited_by=[clean.limited_by[first]],
    )


def ends(clean: CleanLevel) -> tuple[FloatArray, FloatArray]:
    """Return between which drives each clean level lies; −inf and inf where not known.

    Results of an earlier version hold no interval of what is reached: its ends are the value.
    """
    reached = in_state(clean, "reached")
    low = np.where(reached & np.isnan(clean.drive_low_dbfs), clean.drive_dbfs, clean.drive_low_dbfs)
    high = np.where(
        reached & np.isnan(clean.drive_high_dbfs), clean.drive_dbfs, clean.drive_high_dbfs
    )
    return np.where(np.isnan(low), -np.inf, low), np.where(np.isnan(high), np.inf, high)
