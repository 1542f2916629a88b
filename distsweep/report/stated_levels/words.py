"""Sentences on THD at stated levels."""

from __future__ import annotations

import math

from distsweep.report.stated_levels.levels import Known, known_at, of_meaning, thd_parts
from distsweep.results import BAND, EACH_FREQUENCY, Take
from distsweep.units import db_to_percent
from distsweep.words import wording

SENTENCE_HZ = (1000.0, 100.0)
"""Frequencies that a sentence names: a middle and a bass that nearly every loudspeaker plays
(chosen)."""


def stated_level_sentence(take: Take) -> str | None:
    """Say THD at the highest level stated, at 1 kHz and 100 Hz; None where nothing is known."""
    for meaning in (BAND, EACH_FREQUENCY):
        for stated in reversed(of_meaning(take, meaning)):
            known = [(f, known_at(stated.frequency_hz, thd_parts(stated), f)) for f in SENTENCE_HZ]
            parts = [
                f"{percent(one)} at {wording.frequency(f)}" for f, one in known if one is not None
            ]
            if parts:
                at_each = " at each frequency" if meaning == EACH_FREQUENCY else ""
                return f"At {level_name(stated.spl_db)}{at_each} THD is {wording.listed(parts)}."
    return None


def percent(known: Known, *, about: str = "about ", most: str = "at most ") -> str:
    """Write a level re the fundamental in percent, rounded to what is known of it."""
    numbers = [
        0.0 if math.isinf(level_db) else float(db_to_percent(level_db))
        for level_db in (known.value_db, known.low_db, known.high_db)
    ]
    return wording.known_percent(*numbers, about=about, most=most)


def level_name(spl_db: float) -> str:
    """Name a stated level, "90 dB SPL"."""
    return wording.with_unit(wording.plain(spl_db), "dB SPL")
