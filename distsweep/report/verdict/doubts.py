"""What makes the verdict doubtful, in a few words: said first, before anything that rests on it."""

from __future__ import annotations

import math
from collections.abc import Sequence

from distsweep.analysis.limits.gain_change import ONSET_DB
from distsweep.report.verdict.leading import Leading
from distsweep.results import AXIS, Damage, Results, Take, Warning_
from distsweep.words import damage as damage_words
from distsweep.words import wording

_SERIOUS = {
    "gain_moved": "a gain moved during the take",
    "not_come_back": "the first level did not come back the same",
    "output_falls": "a louder rung came out quieter",
    "gain_rises": "a rung came out too loud",
    "silent_rungs": "some rungs were silent",
    "improbable_full_scale": "the calibration is improbable",
    "improbable_background": "the calibration is improbable",
    "improbable_correction": "the microphone's correction is improbable",
    "clipped": "the recording clipped",
    "incomplete": "parts of the recording are missing",
    "passes_differ": "repeated passes differ",
}
"""Warnings that make all or much of a take doubtful, the gravest first."""

MOST_NAMED = 2
"""Most doubts that are named (chosen: the sentence stays short); the rest are counted."""

LONGEST_POSITION = 40
"""Letters of a position's name in a doubt (chosen: longer ones would take the room of the rest, and
stand on the page anyway)."""


def doubts(results: Results, leading: Leading) -> list[tuple[str, str]]:
    """Return what is doubtful about the leading takes, each with its anchor, gravest first."""
    found = [*_damage(leading), *_return_check(leading), *_warned(results, leading)]
    found += _disagreement(results, leading)
    if leading.take.partial:
        found.append(("the capture ended early", leading.anchor("levels")))
    if leading.take.position != AXIS:
        position = " ".join(leading.take.position.split())
        if len(position) > LONGEST_POSITION:
            position = f"{position[: LONGEST_POSITION - 1]}…"
        found.append((f"no take on the axis, only “{position}”", "conditions"))
    return list({words: (words, anchor) for words, anchor in found}.values())


def doubt_sentence(found: Sequence[tuple[str, str]]) -> str:
    """Name the gravest doubts in one sentence."""
    named = [words for words, _ in found[:MOST_NAMED]]
    left = len(found) - len(named)
    if left:
        named.append(f"{left} more {'doubt' if left == 1 else 'doubts'}")
    return f"Doubtful: {wording.listed(named)}."


_LASTING = ("lossy", "automatic_gain", "clipped", "gain_step", "clock")
"""Kinds of damage that go on: much of a take may be wrong, where they were not put right."""

MUCH_OCTAVES = 1.0
"""Brief damage that touches so much of the rungs together is serious (chosen: a tenth of one rung's
audible band; what touches less has wider intervals, and is told with the take)."""


def nobodys_impulses(take: Take) -> list[Damage]:
    """Return impulses at the highest drive, of which no louder rung tells whose they are."""
    loudest = max(
        range(len(take.rungs)), key=lambda number: take.rungs[number].drive_dbfs, default=None
    )
    return [
        one
        for one in take.damage
        if one.kind in ("click", "knock") and one.rung is not None and one.rung == loudest
    ]


def _damage(leading: Leading) -> list[tuple[str, str]]:
    nobodys = nobodys_impulses(leading.take)
    spoilt: list[Damage] = [
        one
        for one in leading.take.damage
        if damage_words.spoils_values(one) and not one.bridged and one not in nobodys
    ]
    lasting = [one for one in spoilt if one.kind in _LASTING]
    octaves = sum(
        math.log2(one.high_hz / one.low_hz)
        for one in spoilt
        if one.low_hz is not None and one.high_hz is not None and 0.0 < one.low_hz <= one.high_hz
    )
    if not lasting and octaves < MUCH_OCTAVES:
        return []
    groups = damage_words.groups(lasting or spoilt)
    named = damage_words.what_words(max(groups, key=len))
    more = " and more" if len(damage_words.groups(spoilt)) > 1 else ""
    return [(f"the recording is damaged ({named}{more})", leading.anchor("damage"))]


def _return_check(leading: Leading) -> list[tuple[str, str]]:
    moved_db = leading.take.return_check_db
    if moved_db is None or not abs(moved_db) >= -ONSET_DB:
        return []
    way = "louder" if moved_db > 0.0 else "softer"
    size = wording.decibels(abs(moved_db))
    return [(f"the first level came back {size} {way}", leading.anchor("levels"))]


def _warned(results: Results, leading: Leading) -> list[tuple[str, str]]:
    returned = bool(_return_check(leading))
    found: list[Warning_] = [
        one
        for one in results.warnings
        if one.code in _SERIOUS
        and one.take in (None, leading.take.position)
        and not (returned and one.code == "not_come_back")
    ]
    found.sort(key=lambda one: list(_SERIOUS).index(one.code))
    return [(_SERIOUS[one.code], "warnings") for one in found]


def _disagreement(results: Results, leading: Leading) -> list[tuple[str, str]]:
    """Say where one of ladder and staircase finds a limit and the other none."""
    where = differing_tones(results, leading, _CONTRADICTIONS)
    return [(f"sweeps and tone bursts disagree on what limits {where}", "agreement")] * bool(where)


_CONTRADICTIONS = ("ladder only", "staircase only", "gain change")
"""Where only the thresholds differ, a limit's start spans both; where only the kinds do, the kind
cannot be told."""


def differing_tones(results: Results, leading: Leading, reasons: Sequence[str]) -> str:
    """Name the tones at which ladder and staircase differ for one of these reasons; "" if none."""
    tones = sorted(
        {
            item.frequency_hz
            for item in results.limiter_agreement
            if item.state == "differ"
            and item.reason in reasons
            and item.position == leading.take.position
        }
    )
    where = wording.listed([wording.frequency(f) for f in tones[:2]])
    return where + (" and elsewhere" if len(tones) > 2 else "")
