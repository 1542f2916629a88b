"""The page's section on what happened to a take's recording, and the summary's sentence on it."""

from __future__ import annotations

from distsweep.report.content import Block, Cell, Points, Section, Table
from distsweep.results import Damage, Results, Take
from distsweep.words import damage as words

TITLE = "What happened to the recording"


def damage(_results: Results, take: Take, name: str) -> Section | None:
    """Damage by kind in sentences, and by kind and rung in a table; nothing where there is none."""
    if not take.damage:
        return None
    rows = [_row(take, group) for group in words.groups(take.damage, by_rung=True)]
    columns = ["What", "When", "Rung", "Frequencies played", "Size", "Put right"]
    caption = (
        "Times count from the recording's first sample. Values at the frequencies that were played"
        " then have intervals wide enough for what may have changed, or are left out; what was put"
        " right was taken out, or bridged by what the harmonics around it say."
    )
    blocks: list[Block] = [
        Points(words.damage_sentences(take.damage, take.rungs)),
        Table(caption, columns, rows),
    ]
    return Section(TITLE, f"take-{name}.damage", blocks)


def sentence(_results: Results, take: Take) -> str | None:
    """Name the damage, and say what became of the values; None where there is none."""
    if not take.damage:
        return None
    named = "; ".join(words.damage_phrase(group, take.rungs) for group in words.groups(take.damage))
    if not any(words.spoils_values(one) for one in take.damage):
        return f"Damage in the recording, which touches no value: {named}."
    mended = "are put right, " if any(one.bridged for one in take.damage) else ""
    return (
        f"Damage in the recording: {named}. Values that it touches {mended}have wider intervals or"
        f" are left out; “{TITLE}” says more."
    )


def _row(take: Take, group: list[Damage]) -> list[Cell]:
    """Return a row: damages of one kind in one rung, or in none."""
    count, bridged = len(group), sum(one.bridged for one in group)
    several = words.in_several(take.damage)
    name = words.kind_name(group[0].kind)
    samples, step = words.size_words(group, "samples"), words.size_words(group, "change_db")
    texts = [
        name if count == 1 else f"{count} × {name}",
        words.time_words(group)
        + (f" of {group[0].recording}" if several and group[0].recording else ""),
        words.rung_words(group, take.rungs).removeprefix("rung at "),
        words.frequency_words(group),
        f"{samples} samples" if samples else f"{step} dB" if step else "",
        f"{bridged} of {count}" if 0 < bridged < count else "yes" if bridged else "no",
    ]
    return [Cell(text or "—", pale=not text) for text in texts]
