"""The verdict's findings: facts of the leading takes, ranked by what matters to a listener."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from distsweep.report import reliability
from distsweep.report.hiss import words as hiss
from distsweep.report.hiss.section import ANCHOR as HISS
from distsweep.report.stated_levels.words import stated_level_sentence
from distsweep.report.verdict import clean, doubts, levels, limits, sentences
from distsweep.report.verdict.leading import Leading, leading_takes
from distsweep.results import BACKGROUND, Resonance, Results, Take
from distsweep.units import db_to_percent
from distsweep.words import wording
from distsweep.words.resonance_notes import NOTES

MOST_SENTENCES = 6
WORDS_OF_THE_SCREEN = 120
"""Most words on the first screen, the loudspeaker's name and the figure's own among them (chosen:
half a minute's reading)."""

_HEADINGS_WORDS, _FIGURE_WORDS, _LABEL_WORDS = 7, 16, 2
"""Words of the section's and the figure's titles and of what unfolds its numbers; of the figure's
axes and areas; and of each resonance's label in it."""

_MOST_NAME_WORDS = 20
"""Words of the loudspeaker's name that take room from the sentences (chosen: a make, a model and a
remark; a whole text in its place must not leave the page without a verdict)."""

LIKELY = 0.5
"""Confidence from which on a resonance is more likely than not."""

# Ranks, lowest first. What is low in frequency, or acts at the very top only, comes later.
_DOUBT, _LIMIT, _RESONANCE, _CLEAN, _STATED, _PEAK, _UNKNOWN = range(0, 70, 10)
_LATER = 25
_HEARD_HISS, _HISS = _CLEAN + 5, _PEAK + 5


@dataclass(frozen=True)
class Finding:
    """A sentence of the verdict: the lower its rank, the earlier; ``anchor`` leads to evidence.

    One that is ``optional`` stands only where the others leave room.
    """

    rank: int
    sentence: str
    anchor: str
    optional: bool = False


def findings(results: Results) -> list[Finding]:
    """Return the verdict's sentences in order: at most six, and no more words than the screen has.

    A finding that does not fit any more is left out, and a shorter one of a later rank taken.
    """
    leading = leading_takes(results)
    if leading is None:
        return _hiss(results, None) or [_nothing(results)]
    every = [one for write in _WRITERS for one in write(results, leading)]
    chosen: list[Finding] = []
    left = _room_for_words(results)
    for one in sorted(every, key=lambda one: (one.optional, one.rank)):
        count = len(one.sentence.split())
        repeated = any(one.sentence == other.sentence for other in chosen)
        if len(chosen) < MOST_SENTENCES and count <= left and not repeated:
            chosen.append(one)
            left -= count
    return sorted(chosen, key=lambda one: one.rank)


def _nothing(results: Results) -> Finding:
    """Say why nothing can be told."""
    if any(take.kind == BACKGROUND for take in results.takes):
        return Finding(0, "Nothing can be told: the loudspeaker was never on.", HISS)
    return Finding(0, "Nothing can be told: the results hold no level.", "conditions")


def _room_for_words(results: Results) -> int:
    """Return how many words the sentences may have together."""
    labels = min(len(likely_resonances(results)), sentences.MOST_RESONANCES)
    name = min(len(str(results.device.name or "").split()), _MOST_NAME_WORDS)
    taken = _HEADINGS_WORDS + _FIGURE_WORDS + _LABEL_WORDS * labels + name
    return WORDS_OF_THE_SCREEN - taken


def likely_resonances(results: Results) -> list[Resonance]:
    """Return the resonances that are more likely than not."""
    return [one for one in results.resonances if one.confidence >= LIKELY]


def _doubts(results: Results, leading: Leading) -> list[Finding]:
    found = doubts.doubts(results, leading)
    return [Finding(_DOUBT, doubts.doubt_sentence(found), found[0][1])] if found else []


def _limits(results: Results, leading: Leading) -> list[Finding]:
    found = limits.acting_limits(results, leading)
    if not found:
        return [_no_limit(leading)]
    first = found[0]
    rank = _LIMIT
    if first.at_the_top or first.high_hz < levels.FAINTLY_HEARD_HZ:
        rank += _LATER
    others = [
        Finding(
            rank + number, sentences.further_limit_sentence(one), one.anchor, optional=number > 1
        )
        for number, one in enumerate(found[1:], start=1)
    ]
    return [Finding(rank, sentences.limit_sentence(first), first.anchor), *others]


def _no_limit(leading: Leading) -> Finding:
    """Say that no limiter shows, or why that cannot be told."""
    anchor = leading.anchor("compression")
    ladder = leading.ladder
    if ladder is None:
        judged = [row for row in leading.take.staircase if row.limiter is not None]
        if not judged:
            return Finding(_LIMIT, "Whether anything limits it cannot be told: noise.", anchor)
        tones = wording.listed([levels.frequency(row.frequency_hz) for row in judged[:4]])
        return Finding(_LIMIT, f"No limiter shows at {tones}.", anchor)
    if len([rung for rung in ladder.rungs if not rung.clipped]) < 2:
        why = "that takes two levels that did not clip"
    elif not ladder.limiters:
        why = "nobody judged it, or noise hides it"
    elif any(one.sentence_of("no_gain_change_clear") for one in ladder.limiters):
        why = "noise hides it"
    else:
        found = clean.strictest(ladder)
        distorts = found is not None and clean.distortion_limits(found)
        text = sentences.no_limit_sentence(loudest_words(ladder), distorts=distorts)
        return Finding(_LIMIT, text, anchor)
    return Finding(_LIMIT, f"Whether anything limits it cannot be told: {why}.", anchor)


def loudest_words(ladder: Take) -> str:
    """Write the loudest level that did not clip: "97 dB SPL (−10 dBFS)", or its drive."""
    rung = reliability.loudest_rung(ladder)
    drive = wording.drive(rung.drive_dbfs)
    if rung.spl_db is None or not np.isfinite(rung.spl_db):
        return drive
    return f"{wording.decibels(rung.spl_db, 'dB SPL', 0)} ({drive})"


def _resonances(results: Results, leading: Leading) -> list[Finding]:
    likely = likely_resonances(results)
    if likely:
        heard = any(one.frequency_hz >= levels.FAINTLY_HEARD_HZ for one in likely)
        rank = _RESONANCE if heard else _RESONANCE + _LATER
        return [Finding(rank, sentences.resonance_sentence(likely), "resonances")]
    if results.resonances:
        best = max(results.resonances, key=lambda one: one.confidence)
        text = sentences.no_likely_resonance_sentence(best)
        return [Finding(_RESONANCE + _LATER, text, "resonances")]
    if NOTES["no_resonance_found"]() in results.resonance_notes:
        text = "No resonance was found; noise may hide some."
        return [Finding(_RESONANCE, text, "resonances")]
    why = _why_no_search(results)
    anchor = "resonances" if leading.ladder is not None else leading.anchor("staircase")
    return [Finding(_RESONANCE, f"Whether it has resonances cannot be told: {why}.", anchor)]


def _why_no_search(results: Results) -> str:
    reasons = {
        "no_ladder": "that takes sweeps",
        "nothing_to_search": "every level clipped, or no harmonic was separated",
        "noise_not_known": "the noise is not known",
        "noise_hides_harmonics": "noise hides the harmonics",
    }
    if not any(take.rungs for take in results.takes):
        return reasons["no_ladder"]
    for code, why in reasons.items():
        if NOTES[code]() in results.resonance_notes:
            return why
    return "these results do not say whether any was looked for"


def _clean(_results: Results, leading: Leading) -> list[Finding]:
    for take, anchor in _by_preference(leading):
        unit = _unit(take)
        found = clean.strictest(take)
        where = [] if found is None else clean.places(found, unit)
        if found is not None and where:
            return [Finding(_CLEAN, sentences.clean_sentence(found, where, unit), anchor)]
    text = "How loud it stays clean cannot be told."
    return [Finding(_CLEAN, text, leading.anchor("compression"))]


def _stated(_results: Results, leading: Leading) -> list[Finding]:
    """Say THD at a level that the session asks for; nothing where it asks for none."""
    text = None if leading.ladder is None else stated_level_sentence(leading.ladder)
    return [Finding(_STATED, text, leading.anchor("stated-levels"))] if text else []


def _hiss(results: Results, _leading: Leading | None) -> list[Finding]:
    """Say how far the hiss is heard, of several places by the farthest known."""
    there = [(take, take.hiss) for take in results.takes if take.hiss is not None]
    if not there:
        return []
    take, farthest = max(there, key=lambda pair: pair[1].audible_to_m or 0.0)
    heard = hiss.at_listener(farthest) == "heard"
    text = hiss.verdict_sentence(take, farthest)
    return [Finding(_HEARD_HISS if heard else _HISS, text, HISS, optional=not heard)]


def _by_preference(leading: Leading) -> list[tuple[Take, str]]:
    """Return the ladder, then the staircase, each with the anchor of its clean levels."""
    pairs = []
    if leading.ladder is not None:
        pairs.append((leading.ladder, leading.anchor("compression")))
    if leading.staircase is not None:
        pairs.append((leading.staircase, f"take-{leading.staircase_name}.staircase"))
    return pairs


def _unit(take: Take) -> str:
    return "dB SPL" if wording.level_unit(take) == "dB SPL" else "dBFS"


def _unknown(results: Results, leading: Leading) -> list[Finding]:
    items: list[tuple[str, str]] = []
    take = leading.take
    kind_at = doubts.differing_tones(results, leading, ("kind",))
    if kind_at:
        items.append((f"the kind of limit at {kind_at}", "agreement"))
    if _unit(take) != "dB SPL":
        items.append(("sound pressure (nothing is calibrated)", "conditions"))
    if doubts.nobodys_impulses(take):
        loudest = _rung_words(take, max(rung.drive_dbfs for rung in take.rungs))
        items.append((f"whether knocks at {loudest} are its own", leading.anchor("damage")))
    found = clean.strictest(take)
    hidden = "" if found is None else clean.unknown_ranges(found)
    if hidden:
        items.append((f"the clean level at {hidden}", leading.anchor("compression")))
    advised = [one.drive_dbfs for one in take.thd_advice]
    if advised:
        level = _rung_words(take, max(advised))
        text = f"weak distortion up to {level} (noise)"
        items.append((text, leading.anchor("distortion")))
    if not items:
        return []
    return [Finding(_UNKNOWN, sentences.unknown_sentence([i[0] for i in items]), items[0][1])]


def _rung_words(take: Take, drive_dbfs: float) -> str:
    rung = min(take.rungs, key=lambda one: abs(one.drive_dbfs - drive_dbfs))
    if rung.spl_db is None or not np.isfinite(rung.spl_db):
        return wording.drive(rung.drive_dbfs)
    return wording.decibels(rung.spl_db, "dB SPL", 0)


def _peak(_results: Results, leading: Leading) -> list[Finding]:
    """Say where distortion is highest at the loudest level, in the midrange if known there."""
    ladder = leading.ladder
    if ladder is None:
        return []
    rung, f = reliability.loudest_rung(ladder), ladder.frequency_hz
    flags = reliability.thd_reliable(rung)
    for band_hz in (levels.MIDRANGE_HZ, _REST_HZ):
        worst = reliability.highest(f, rung.thd_db, flags & reliability.inside(f, *band_hz))
        if worst is None:
            continue
        at = int(np.argmin(np.abs(f - worst.frequency_hz)))
        ends = [
            float(db_to_percent(end[at])) if end.size else float("nan")
            for end in (rung.thd_db, rung.thd_low_db, rung.thd_high_db)
        ]
        percent = wording.known_percent(*ends)
        place = levels.frequency(worst.frequency_hz)
        above = levels.frequency(band_hz[0])
        level = _rung_words(ladder, rung.drive_dbfs)
        text = f"Above {above} distortion peaks at {place}: {percent} at {level}."
        return [Finding(_PEAK, text, leading.anchor("distortion"), optional=True)]
    return []


_REST_HZ = (levels.FAINTLY_HEARD_HZ, float("inf"))

_WRITERS: tuple[Callable[[Results, Leading], list[Finding]], ...] = (
    _doubts, _limits, _resonances, _clean, _stated, _unknown, _peak, _hiss,
)  # fmt: skip
