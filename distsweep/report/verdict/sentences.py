"""The verdict's sentences: short, in plain words, rounded to what is known."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from distsweep.report.clean_level.levels import EXACT_DB, in_state
from distsweep.report.verdict import levels
from distsweep.report.verdict.limits import Limit
from distsweep.results import CleanLevel, Resonance
from distsweep.words import wording

MOST_RESONANCES = 4
"""Most resonances that the sentence lists (chosen: as many fit a line)."""

_ACTS = {
    "limiter": "A limiter acts",
    "compressor": "A compressor acts",
    "limiting": "Its output is limited",
    "clipping": "It clips",
}


_ACTS_TOO = {
    "limiter": "a limiter acts",
    "compressor": "a compressor acts",
    "clipping": "it clips",
}


def limit_sentence(limit: Limit) -> str:
    """Say what holds a band back, and from which level."""
    place = _place(limit)
    steady = " with tone bursts" if limit.by_tones else ""
    if limit.kind == "thermal":
        loss = wording.decibels(limit.sag_db)
        return f"Heat: its gain sags by {loss} {place}{steady}."
    return f"{_ACTS.get(limit.kind, 'Its output is held back')} {place}{steady}{_start(limit)}."


def further_limit_sentence(limit: Limit) -> str:
    """Say in a few words what else holds a band back, and from which level."""
    acts = _ACTS_TOO.get(limit.kind, "output is held back")
    level = levels.whole_range(*limit.starts_db, "dB SPL")
    return f"Also, {acts} {_place(limit)}{f', starting at {level}' if level else ''}."


def _place(limit: Limit) -> str:
    if limit.low_hz == limit.high_hz:
        return f"at {levels.frequency(limit.low_hz)}"
    return f"from {levels.frequency_range(limit.low_hz, limit.high_hz)}"


def _start(limit: Limit) -> str:
    low, high = limit.starts_dbfs
    if low is None and high is None:
        return "" if limit.kind == "clipping" else ", perhaps from the lowest level played"
    drive = levels.whole_range(low, high, "dBFS").removeprefix("about ")
    level = levels.whole_range(*limit.starts_db, "dB SPL")
    if not level:
        return (
            f", starting at a drive {'' if drive.startswith(('below', 'above')) else 'of '}{drive}"
        )
    at = "" if level.startswith(("below", "above")) else "at "
    return f", starting {at}{level} ({drive})"


def no_limit_sentence(loudest: str, *, distorts: bool) -> str:
    """Say that nothing holds the output back up to the loudest level, or distortion alone."""
    instead = "; distortion limits it" if distorts else ""
    return f"No limiter shows up to {loudest}, the loudest played{instead}."


def clean_sentence(clean: CleanLevel, places: Sequence[int], unit: str) -> str:
    """Say how loud it stays clean at some places, in dB SPL, or as drives."""
    thd = wording.with_unit(f"{clean.thd_percent:g}", "%")
    loss = wording.with_unit(f"{clean.compression_db:g}", "dB")
    groups: list[tuple[str, list[str]]] = []  # neighbours with the same level stand together
    for i in places:
        level, place = (
            clean_words(clean, i, unit),
            wording.frequency(float(clean.frequency_hz[i])),
        )
        if groups and groups[-1][0] == level:
            groups[-1][1].append(place)
        else:
            groups.append((level, [place]))
    parts = [
        f"{wording.with_unit(level, unit) if number == 0 else level} at {wording.listed(names)}"
        for number, (level, names) in enumerate(groups)
    ]
    what = "level" if unit == "dB SPL" else "drive"
    return f"Highest clean {what} ({thd} THD, {loss} compression): {', '.join(parts)}."


def clean_words(clean: CleanLevel, i: int, unit: str) -> str:
    """Write the highest clean level at one place in whole decibels that hold what is known."""
    at, low, high = clean_ends(clean, unit)
    exact = in_state(clean, "reached")[i] and not high[i] - low[i] > EXACT_DB
    if exact:
        return wording.signed(float(at[i]), 0)
    if in_state(clean, "reached", "bracketed")[i]:
        return levels.between(math.floor(low[i]), math.ceil(high[i]))
    if in_state(clean, "not reached")[i]:
        least = low[i] if math.isfinite(low[i]) else at[i]
        return f"at least {wording.signed(math.floor(least), 0)}"
    return f"less than {wording.signed(math.ceil(high[i]), 0)}"


def clean_ends(
    clean: CleanLevel, unit: str
) -> tuple[np.ndarray[tuple[int, ...], np.dtype[np.float64]], ...]:
    """Return a clean level and what it lies between: in dB SPL, or as drives in dBFS."""
    if unit == "dB SPL":
        return clean.level_db, clean.low_db, clean.high_db
    return clean.drive_dbfs, clean.drive_low_dbfs, clean.drive_high_dbfs


def resonance_sentence(likely: Sequence[Resonance]) -> str:
    """Name resonances that are more likely than not, and how sure they are; midrange first."""
    groups: dict[str, list[Resonance]] = {}
    for one in foremost(likely):
        groups.setdefault(chance_words(one.confidence), []).append(one)
    parts = []
    for chance, group in groups.items():
        hertz = wording.listed([wording.signed(r.frequency_hz, 0) for r in group])
        names = wording.with_unit(hertz, "Hz")
        least = min(r.confidence for r in group)
        number = wording.confidence(least).replace(" ", "\N{NO-BREAK SPACE}")
        several = " or more" if len({wording.confidence(r.confidence) for r in group}) > 1 else ""
        parts.append(f"{names} ({chance}, {number}{several})")
    left = len(likely) - MOST_RESONANCES
    more = f"; {left} more" if left > 0 else ""
    plural = "Resonances:" if len(likely) > 1 else "Resonance:"
    return f"{plural} {'; '.join(parts)}{more}."


def foremost(likely: Sequence[Resonance]) -> list[Resonance]:
    """Return the resonances to be named: those in the midrange first, then the surest."""

    def order(one: Resonance) -> tuple[bool, float]:
        return not levels.in_midrange(one.frequency_hz, one.frequency_hz), -one.confidence

    return sorted(likely, key=order)[:MOST_RESONANCES]


def chance_words(confidence: float) -> str:
    """Write how sure a resonance is, with the limits of the sentences on each resonance."""
    if confidence >= 0.9:
        return "almost certain"
    return "probable" if confidence >= 0.7 else "possible"


def no_likely_resonance_sentence(best: Resonance) -> str:
    """Say that none is likely, and what comes nearest."""
    where = wording.whole_hertz(best.frequency_hz)
    chance = wording.confidence(best.confidence)
    return f"No resonance is likely; nearest to one is {where} ({chance})."


def unknown_sentence(items: Sequence[str]) -> str:
    """Say what cannot be told."""
    return f"Unknown: {'; '.join(items)}."
