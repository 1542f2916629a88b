"""A limiter's kind, ratio and threshold in a few words."""

from __future__ import annotations

import numpy as np

from distsweep.results import TURNED_DOWN, Limiter, Staircase
from distsweep.words import wording


def limiter_words(limiter: Limiter) -> str:
    """Kind, ratio and threshold in a few words, a line each."""
    lines = [limiter.kind if limiter.kind != "none" else "no limiter"]
    place = threshold_words(limiter)
    if limiter.kind in TURNED_DOWN:
        lines = [f"{limiter.kind} {ratio_words(limiter)}".rstrip(), place]
    elif limiter.kind == "clipping":
        lines.append(f"from {place}")
    return "\n".join(line for line in lines if line)


def threshold_words(limiter: Limiter, unit: str = "dBFS") -> str:
    """Write a threshold, or what it lies between; nothing where neither is known."""
    return wording.span(limiter.threshold_bounds_dbfs, unit)


def ratio_words(limiter: Limiter) -> str:
    """Write a ratio as "4.0:1", an infinite one as "∞:1", of bounds "≥ 2.7:1"; or nothing."""
    if limiter.kind == "limiting":
        return "" if limiter.ratio_low is None else f"≥ {min(limiter.ratio_low, 99.0):.1f}:1"
    if limiter.threshold_dbfs is None:
        return ""
    return "∞:1" if limiter.ratio is None else f"{limiter.ratio:.1f}:1"


def last_change_words(row: Staircase, *, about: str = "about ", decimals: int = 1) -> str:
    """Write a tone's gain change at the highest drive at which it is known; nothing without any."""
    known = np.flatnonzero(np.isfinite(row.gain_change_db))
    if not known.size:
        return ""
    ends = (row.gain_change_low_db, row.gain_change_high_db)
    low_db, high_db = (float(end[known[-1]]) if end.size else np.nan for end in ends)
    change_db = float(row.gain_change_db[known[-1]])
    return wording.known_decibels(change_db, low_db, high_db, about=about, decimals=decimals)


def difference_words(row: Staircase) -> str:
    """Write by how much the way down differs from the way up; nothing where that is not known.

    Both ways are heard through as long bursts in the same noise: the difference is known to √2
    times what the level is known to there (GUM, JCGM 100:2008, 5.1.2).
    """
    if row.difference_db is None:
        return ""
    half_db = np.nan
    if row.level_high_db.size:
        apart = np.abs(row.falling_level_db - row.level_db)
        at = int(np.nanargmax(np.where(np.isfinite(row.gain_change_db), apart, -1.0)))
        half_db = float(row.level_high_db[at] - row.level_low_db[at]) / np.sqrt(2.0)
    ends = (row.difference_db - half_db, row.difference_db + half_db)
    return wording.known_decibels(row.difference_db, *ends, about="≈ ", decimals=2)
