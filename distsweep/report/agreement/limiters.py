"""Words on whether a ladder and a staircase find the same limiters."""

from __future__ import annotations

import math
from collections.abc import Sequence

from distsweep.analysis.limits.gain_change import ONSET_DB
from distsweep.report.content import Cell, Table, number_cell
from distsweep.results import LimiterAgreement, Results, Take
from distsweep.words import wording

_CAUSES = {
    "slow": "it acts too slowly for a sweep, which passes each frequency in a fraction of a second",
    "heat": "the tone's gain sags slowly, and a burst heats a coil longer than a sweep does",
    "release": "a limiter that releases slowly is still acting on what the sweep plays next",
    "moved": "the ladder's first level did not come back the same, so its gain may have moved",
}
_KINDS = {
    "limiter": "a limiter",
    "compressor": "a compressor",
    "limiting": "limiting",
    "clipping": "clipping",
    "thermal": "a slow sag and no limiter",
    "none": "none",
}
_IDLE = ("none", "thermal")
_ONE_ALONE = {
    "blend": "lies outside the ladder's bands: the ladder loses gain there, too, but names no"
    " limiter of its own, as the outputs of two bands may add",
    "drive reduced": "costs the ladder as much gain, but the drive of its sweep is reduced there,"
    " and it shows no limiter",
    "not named": "costs the {other} as much gain there, but the {other} shows no limiter",
    "hardly begun": "has hardly begun at the highest drive of the {other}, which loses too little"
    " gain there to show it",
    "noise": "cannot be held against the {other}: noise hides too much of the gain there",
}


def disagreements(results: Results, ladder: Take) -> list[str]:
    """One sentence for each tone at which a ladder and a staircase contradict each other.

    What only one of them can tell is said in a sentence for each reason.
    """
    compared = [item for item in results.limiter_agreement if _is_of(item, results, ladder)]
    sentences = [_difference(item) for item in compared if item.state == "differ"]
    sentences += [_named_otherwise(item) for item in compared if item.reason == "name"]
    for reason in _ONE_ALONE:
        for by_steps in (True, False):
            alone = [
                item
                for item in compared
                if item.reason == reason
                and (item.staircase_kind if by_steps else item.ladder_kind) not in _IDLE
            ]
            if alone:
                sentences.append(_one_alone(alone, by_steps=by_steps))
    return sentences


def _is_of(item: LimiterAgreement, results: Results, ladder: Take) -> bool:
    number = next((i for i, one in enumerate(results.takes) if one is ladder), None)
    if None not in (number, item.ladder_take):
        return item.ladder_take == number
    return item.position == ladder.position and item.ladder == ladder.stimulus


def table(compared: Sequence[LimiterAgreement]) -> Table:
    """What each says of each tone."""
    columns = ["Tone", "Staircase", "Ladder", "Staircase, dB", "Ladder, dB", "At, dBFS", "Verdict"]
    caption = (
        "What holds back each tone, by staircase and by ladder, with the gain change that each"
        " has there at the highest drive that both played. “≈”: rounded to what noise leaves known."
    )
    pairs = {(item.position, item.ladder, item.ladder_take, item.staircase) for item in compared}
    if len(pairs) < 2:
        return Table(caption, columns, [_row(item) for item in compared])
    rows = [[Cell(_takes(item)), *_row(item)] for item in compared]
    return Table(caption, ["Takes", *columns], rows)


def _takes(item: LimiterAgreement) -> str:
    number = "" if item.ladder_take is None else f" (take {item.ladder_take + 1})"
    return f"{item.position}: {item.ladder}{number}, {item.staircase}"


def _row(item: LimiterAgreement) -> list[Cell]:
    return [
        Cell(wording.frequency(item.frequency_hz)),
        Cell(_short(item.staircase_kind, item.staircase_threshold_dbfs)),
        Cell(_short(item.ladder_kind, item.ladder_threshold_dbfs)),
        _change_cell(_by_staircase(item, about="≈ ")),
        _change_cell(_by_ladder(item, about="≈ ")),
        number_cell(item.drive_dbfs),
        Cell(item.state if not item.reason else f"{item.state}: {item.reason}"),
    ]


def _change_cell(words: str) -> Cell:
    """Leave the unit to the column's heading."""
    return Cell(words.removesuffix(wording.with_unit("", "dB")) or "—", pale=not words)


def _short(kind: str, threshold_dbfs: Sequence[float | None]) -> str:
    place = wording.span(threshold_dbfs, "dBFS")
    return f"{kind}, {place}" if kind not in _IDLE and place else kind


def _kind_and_threshold(kind: str, threshold_dbfs: Sequence[float | None]) -> str:
    words, place = _KINDS.get(kind, kind), wording.span(threshold_dbfs, "dBFS")
    if kind in _IDLE or not place:
        return words
    return f"{words} with a threshold {'of ' if place[0] in '−0123456789' else ''}{place}"


def _difference(item: LimiterAgreement) -> str:
    tone = wording.frequency(item.frequency_hz)
    steps = _kind_and_threshold(item.staircase_kind, item.staircase_threshold_dbfs)
    ladder = _kind_and_threshold(item.ladder_kind, item.ladder_threshold_dbfs)
    if item.staircase_kind == "none":
        steps = "no limiter"
    if item.reason == "gain change" and item.ladder_kind == "none":
        ladder = "none, either,"
    text = f"At {tone} the staircase finds {steps}; the ladder shows {ladder} there"
    if item.reason == "staircase only" and (item.ladder_change_db or 0.0) <= ONSET_DB:
        text = f"At {tone} the staircase finds {steps}; the ladder loses gain there without one"
    changes = [abs(item.staircase_change_db or 0.0), abs(item.ladder_change_db or 0.0)]
    # At the highest drive that both have there may be no loss yet: one of them played louder.
    if item.drive_dbfs is not None and max(changes) >= -ONSET_DB:
        text += (
            f" (gain changes of {_by_staircase(item)} and {_by_ladder(item)} at"
            f" {wording.drive(item.drive_dbfs)})"
        )
    cause = _CAUSES.get(item.possible_cause, "")
    return f"{text}: perhaps {cause}." if cause else f"{text}; nothing recorded tells why."


def _named_otherwise(item: LimiterAgreement) -> str:
    return (
        f"At {wording.frequency(item.frequency_hz)} the staircase finds"
        f" {_KINDS[item.staircase_kind]} and the ladder {_KINDS[item.ladder_kind]}: the same as"
        " far as their ratios are known; from 4:1 on it is called a limiter."
    )


def _by_staircase(item: LimiterAgreement, *, about: str = "about ") -> str:
    ends = item.staircase_change_low_db, item.staircase_change_high_db
    return _changed(item.staircase_change_db, *ends, about)


def _by_ladder(item: LimiterAgreement, *, about: str = "about ") -> str:
    ends = item.ladder_change_low_db, item.ladder_change_high_db
    return _changed(item.ladder_change_db, *ends, about)


def _changed(
    change_db: float | None, low_db: float | None, high_db: float | None, about: str
) -> str:
    """Write a gain change as far as it is known; nothing without one."""
    if change_db is None or not math.isfinite(change_db):
        return ""
    ends = (math.nan if end is None else end for end in (low_db, high_db))
    return wording.known_decibels(change_db, *ends, about=about)


def _one_alone(compared: Sequence[LimiterAgreement], *, by_steps: bool) -> str:
    finder, other = ("staircase", "ladder") if by_steps else ("ladder", "staircase")
    where = wording.listed([_place_and_finding(item, by_steps=by_steps) for item in compared])
    words = _ONE_ALONE[compared[0].reason].format(other=other)
    return f"What the {finder} finds at {where} {words}."


def _place_and_finding(item: LimiterAgreement, *, by_steps: bool) -> str:
    kind = item.staircase_kind if by_steps else item.ladder_kind
    place = item.staircase_threshold_dbfs if by_steps else item.ladder_threshold_dbfs
    text = f"{wording.frequency(item.frequency_hz)} ({_kind_and_threshold(kind, place)}"
    if item.staircase_change_db is not None and item.ladder_change_db is not None:
        text += (
            f"; gain changes of {_by_staircase(item)} in the staircase and {_by_ladder(item)} in"
            " the ladder"
        )
    return text + ")"
