"""Sentences on the highest clean level, each computed from the numbers of one take."""

from __future__ import annotations

import math

import numpy as np

from distsweep.flag_runs import runs_of
from distsweep.report.clean_level.levels import (
    EXACT_DB,
    SAYING,
    both_limits,
    ends,
    in_state,
    limit_words,
    lowest,
)
from distsweep.results import SAME_DRIVE_DB, CleanLevel, Take
from distsweep.units import BoolArray
from distsweep.words import wording

ALIKE_DB = 0.3
"""Places whose limits are passed within this of each other go together (chosen: what a ladder's own
interpolation is good for)."""

MOST_RANGES = 3
"""Most ranges of frequency that a sentence lists; the rest are counted (chosen)."""


def clean_level_sentences(take: Take) -> str | None:
    """Say up to where a take is clean by its strictest limits, what goes first, and what is hidden.

    None where nothing is known at any frequency.
    """
    strict = next(iter(both_limits(take)), None)
    if strict is None or not np.any(in_state(strict, *SAYING, "contradicted")):
        return None
    below, contradicted = in_state(strict, "below"), in_state(strict, "contradicted")
    rest = in_state(strict, *SAYING) & ~below
    sentences = []
    if np.any(below):
        sentences.append(_below(take, strict, below))
    if np.any(contradicted):
        sentences.append(_contradicted(strict, contradicted))
    if np.any(rest):
        sentences.append(_rest(take, strict, rest, everywhere=not np.any(below | contradicted)))
    hidden = in_state(strict, "unknown")
    if np.any(hidden):
        why = "noise hides it there"
        if not take.staircase:
            placed = "" if take.placement is None else ", or placements of the microphone differ"
            why = f"{why}, or the sweep is too fast for it{placed}"
        sentences.append(f"Nothing of this is known at {_where(strict, hidden)}: {why}.")
    return " ".join(sentences)


def _rest(take: Take, clean: CleanLevel, flags: BoolArray, *, everywhere: bool) -> str:
    """Say the lowest clean level of the places whose own is not below all levels played."""
    lowest_of_all = lowest(clean, flags)
    low, high = float(lowest_of_all.drive_low_dbfs[0]), float(lowest_of_all.drive_high_dbfs[0])
    limit = limit_words(clean)
    each = "tone" if take.staircase else "third of an octave"
    if lowest_of_all.state[0] == "not reached":
        no = "No level played" if everywhere else "Elsewhere no level played"
        return (
            f"{no} is known to pass {limit} where it can be judged: the highest clean level is at"
            f" least {_level(take, low)}."
        )
    if lowest_of_all.state[0] == "reached":
        about = "" if high - low <= EXACT_DB else "about "
        end = about + _level(take, float(lowest_of_all.drive_dbfs[0]), whole=bool(about))
    else:
        end = f"a level between {_level(take, low)} and {_level(take, high)}"
    return (
        f"Clean, up to {limit}, it stays at every {'' if everywhere else 'other '}{each} that can"
        f" be judged up to {end}; {_first(clean, flags, high)}."
    )


def _first(clean: CleanLevel, flags: BoolArray, high: float) -> str:
    """Name the frequencies that may be the first to go, and what limits them.

    Of places that passed no limit, those may be that are not known to keep it as far as others.
    """
    low, _ = ends(clean)
    passed = flags & ~in_state(clean, "not reached")
    farthest = float(np.max(low[flags & ~passed], initial=-math.inf))
    candidates = (passed | (flags & (low < farthest - SAME_DRIVE_DB))) & (low <= high + ALIKE_DB)
    by = sorted({clean.limited_by[i] for i in np.flatnonzero(candidates)} - {""}, reverse=True)
    names = {"thd": "distortion", "compression": "compression"}
    cause = f", by {' or '.join(names[limit] for limit in by)}" if by else ""
    if np.sum(candidates) == 1:
        return f"first to go is {_where(clean, candidates)}{cause}"
    if np.array_equal(candidates, flags):
        return f"all go alike, as far as can be told{cause}"
    return f"first to go is one of {_where(clean, candidates)}{cause}"


def _below(take: Take, clean: CleanLevel, flags: BoolArray) -> str:
    """Say where the lowest level that is known is past the limits already, and what that is."""
    high = float(lowest(clean, flags).drive_high_dbfs[0])
    return (
        f"At {_where(clean, flags)} no level is known to keep within {limit_words(clean)}: those"
        f" that stand out of the noise, from {_level(take, high)} up, are past it."
    )


def _contradicted(clean: CleanLevel, flags: BoolArray) -> str:
    return (
        f"No highest clean level is stated at {_where(clean, flags)}: one level is past"
        f" {limit_words(clean)} there and a louder one is not, as after a noise in one rung, where"
        " products cancel, or where distortion falls with level."
    )


def _level(take: Take, drive_dbfs: float, *, whole: bool = False) -> str:
    """Write a drive, with the sound pressure level that the take had there, if that is known.

    ``whole`` writes both in whole decibels.
    """
    if whole:
        drive_dbfs = float(round(drive_dbfs))
    drive = f"{wording.drive(drive_dbfs)} of drive"
    known = [
        (rung.drive_dbfs, rung.spl_db)
        for rung in take.rungs
        if rung.spl_db is not None and math.isfinite(rung.spl_db) and not rung.clipped
    ]
    drives, levels = zip(*known, strict=True) if known else ((math.inf,), (math.nan,))
    if not drives[0] - SAME_DRIVE_DB <= drive_dbfs <= drives[-1] + SAME_DRIVE_DB:
        return drive
    level = float(np.interp(drive_dbfs, drives, levels))
    spl = wording.with_unit(wording.signed(level, 0 if whole else 1), "dB SPL")
    return f"{drive} ({spl} in the level band)"


def _where(clean: CleanLevel, flags: BoolArray) -> str:
    """Name the places: tones one by one, thirds of an octave as ranges of neighbours."""
    f = clean.frequency_hz
    parts = []
    for first, end in runs_of(flags):
        if end - first == 1:
            parts.append(wording.frequency(float(f[first])))
        else:
            parts.append(wording.frequency_range(float(f[first]), float(f[end - 1])))
    if len(parts) > MOST_RANGES:
        left = len(parts) - MOST_RANGES + 1
        parts = [*parts[: MOST_RANGES - 1], f"{left} more ranges"]
    return wording.listed(parts)
