"""Words on whether a ladder and a staircase find the same limiters."""

from __future__ import annotations

from collections.abc import Sequence

from distsweep.report import wording
from distsweep.report.content import Cell, Table
from distsweep.results import LimiterAgreement, Results, Take

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


def disagreements(results: Results, ladder: Take) -> list[str]:
    """One sentence for each tone at which a ladder and a staircase contradict each other."""
    found = [
        item
        for item in results.limiter_agreement
        if item.position == ladder.position and item.ladder == ladder.stimulus
    ]
    sentences = [_difference(item) for item in found if item.state == "differ"]
    sentences += [_named_otherwise(item) for item in found if item.reason == "name"]
    blends = [item for item in found if item.reason == "blend"]
    if blends:
        sentences.append(_blends(blends))
    return sentences


def table(found: Sequence[LimiterAgreement]) -> Table:
    """What each says of each tone."""
    columns = ["Tone", "Staircase", "Ladder", "Staircase, dB", "Ladder, dB", "At, dBFS", "Verdict"]
    caption = (
        "What holds back each tone, by staircase and by ladder, with the gain change that each"
        " has there at the highest drive that both played."
    )
    return Table(caption, columns, [_row(item) for item in found])


def _row(item: LimiterAgreement) -> list[Cell]:
    return [
        Cell(wording.frequency(item.frequency_hz)),
        Cell(_short(item.staircase_kind, item.staircase_threshold_dbfs)),
        Cell(_short(item.ladder_kind, item.ladder_threshold_dbfs)),
        _number(item.staircase_change_db),
        _number(item.ladder_change_db),
        _number(item.drive_dbfs),
        Cell(item.state if not item.reason else f"{item.state}: {item.reason}"),
    ]


def _number(value: float | None) -> Cell:
    return Cell("—", pale=True) if value is None else Cell(wording.signed(value))


def _short(kind: str, threshold_dbfs: Sequence[float | None]) -> str:
    place = _place(threshold_dbfs)
    return f"{kind}, {place}" if kind not in ("none", "thermal") and place else kind


def _place(threshold_dbfs: Sequence[float | None]) -> str:
    """Write what a threshold lies between: one number where both ends are printed alike."""
    low, high = threshold_dbfs
    if low is None or high is None:
        known = high if low is None else low
        if known is None:
            return ""
        return f"{'below' if low is None else 'above'} {wording.decibels(known, 'dBFS')}"
    if low == high:
        return wording.decibels(low, "dBFS")
    return f"{wording.signed(low)} to {wording.decibels(high, 'dBFS')}"


def _said(kind: str, threshold_dbfs: Sequence[float | None]) -> str:
    words, place = _KINDS.get(kind, kind), _place(threshold_dbfs)
    if kind in ("none", "thermal") or not place:
        return words
    return f"{words} with a threshold {'of ' if place[0] in '−0123456789' else ''}{place}"


def _difference(item: LimiterAgreement) -> str:
    tone = wording.frequency(item.frequency_hz)
    steps = _said(item.staircase_kind, item.staircase_threshold_dbfs)
    ladder = _said(item.ladder_kind, item.ladder_threshold_dbfs)
    if item.staircase_kind == "none":
        steps = "no limiter"
    if item.reason == "gain change" and item.ladder_kind == "none":
        ladder = "none, either,"
    text = f"At {tone} the staircase finds {steps}; the ladder shows {ladder} there"
    if None not in (item.drive_dbfs, item.staircase_change_db, item.ladder_change_db):
        text += (
            f" (gain changes of {_changed(item.staircase_change_db)} and"
            f" {_changed(item.ladder_change_db)} at {wording.drive(item.drive_dbfs or 0.0)})"
        )
    cause = _CAUSES.get(item.possible_cause, "")
    return f"{text}: perhaps {cause}." if cause else f"{text}; nothing recorded tells why."


def _named_otherwise(item: LimiterAgreement) -> str:
    return (
        f"At {wording.frequency(item.frequency_hz)} the staircase finds"
        f" {_KINDS[item.staircase_kind]} and the ladder {_KINDS[item.ladder_kind]}: the same as"
        " far as their ratios are known; from 4:1 on it is called a limiter."
    )


def _changed(value_db: float | None) -> str:
    return wording.decibels(value_db or 0.0)


def _blends(found: Sequence[LimiterAgreement]) -> str:
    tones = [
        f"{wording.frequency(item.frequency_hz)}"
        f" ({_said(item.staircase_kind, item.staircase_threshold_dbfs)}; gain changes of"
        f" {_changed(item.staircase_change_db)} in the staircase and"
        f" {_changed(item.ladder_change_db)} in the ladder)"
        for item in found
    ]
    where = tones[0] if len(tones) == 1 else ", ".join(tones[:-1]) + " and " + tones[-1]
    return (
        f"What the staircase finds at {where} lies outside the ladder's bands: the ladder loses"
        " gain there, too, but names no limiter of its own, as the outputs of two bands may add."
    )
