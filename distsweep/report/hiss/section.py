"""The page's section on hiss: sentences, a figure and a table for each place it was recorded at."""

from __future__ import annotations

import math

from distsweep.report.content import Block, Cell, Paragraph, Points, Section, Table, number_cell
from distsweep.report.hiss import figure, words
from distsweep.report.names import unique_names
from distsweep.results import BACKGROUND, Results, Take
from distsweep.words import wording

ANCHOR = "hiss"


def hiss(results: Results) -> Section | None:
    """What the loudspeaker adds to the background while nothing plays."""
    backgrounds = [take for take in results.takes if take.kind == BACKGROUND]
    if not backgrounds:
        return None
    found = words.hissing(results)
    names = unique_names(take.position for take in found)
    parts = [
        Section(f"At “{take.position}”", f"{ANCHOR}-{name}", _blocks(results, take, name))
        for take, name in zip(found, names, strict=True)
    ]
    blocks: list[Block] = [_levels(backgrounds)]
    if not found:
        blocks.append(Paragraph("The loudspeaker was never on: of its hiss nothing is known."))
    return Section("Hiss while nothing plays", ANCHOR, blocks, parts)


def off_take(results: Results, take: Take) -> Take | None:
    """Return the take at the same place with the loudspeaker off; None where there is none."""
    return next(
        (
            other
            for other in results.takes
            if other.state == "off"
            and (other.position, other.distance_m, other.level_unit)
            == (take.position, take.distance_m, take.level_unit)
        ),
        None,
    )


def _blocks(results: Results, take: Take, name: str) -> list[Block]:
    found = take.hiss
    assert found is not None  # the caller looked
    known = [
        words.level_sentence(take, found),
        words.reach_sentence(found),
        words.one_metre_sentence(take, found),
        words.listener_sentence(take, found),
        words.silence_sentence(found),
        words.room_sentence(found),
    ]
    sentences = [text for text in known if text]
    if wording.level_unit(take) != "dB SPL":
        sentences.append("Nothing was calibrated: how far it is heard cannot be told.")
    elif found.distance_m is None:
        sentences.append("The microphone's distance is not given: how far it is heard is unknown.")
    return [Points(sentences), figure.picture(take, off_take(results, take), name)]


def _levels(takes: list[Take]) -> Table:
    """A-weighted levels of each place and state."""
    rows = []
    for take in takes:
        at = "" if take.distance_m is None else words.distance(take.distance_m)
        alone = "" if take.hiss is None else words.level_words(take, take.hiss)
        level_db = take.a_weighted_db
        known = level_db is not None and math.isfinite(level_db)
        rows.append(
            [
                Cell(take.position),
                Cell(at or "not given", pale=not at),
                Cell(str(take.state)),
                number_cell(level_db if known else None, missing="not known"),
                Cell(alone or "—", pale=not alone),
            ]
        )
    unit = words.a_weighted_unit(takes[0])
    columns = ["Position", "Distance", "Loudspeaker", f"Level, {unit}", "Loudspeaker alone"]
    return Table("A-weighted levels while nothing was played.", columns, rows)
