"""What a comparison's page says first: what differs, what does not, and under what conditions."""

from __future__ import annotations

from collections.abc import Callable

from distsweep.comparison.record import Finding
from distsweep.report.comparison import overview
from distsweep.report.comparison.compared import Compared
from distsweep.report.content import Block, Fold, Linked, Paragraph, Points, Section

MOST_FINDINGS, MOST_OTHERS = 6, 4
"""Sentences that stand open, of findings and of each other kind (chosen: what ten seconds take
in); the others are behind a line."""

Anchor = Callable[[Finding], str]


def first_screen(
    compared: Compared,
    anchor_of: Anchor,
    *blocks: Block,
    title: str = "What differs beyond doubt",
    conditions: str = "Conditions:",
) -> Section:
    """Return the page's first section; ``blocks`` follow its sentences.

    ``conditions`` is what stands before the comparison's conditions.

    ``anchor_of`` says where the evidence of a finding stands.
    """
    comparison = compared.comparison
    items = [(one.sentence, anchor_of(one)) for one in comparison.findings]
    said: list[Block] = [Linked(items[:MOST_FINDINGS])]
    if not items:
        said = [Paragraph(_nothing(compared))]
    if items[MOST_FINDINGS:]:
        more = items[MOST_FINDINGS:]
        said.append(Fold(f"{len(more)} more", [Linked(more)]))
    said += _listed("What does not differ, as far as can be seen:", comparison.unseen)
    said += _listed(conditions, comparison.conditions)
    said += _listed("Not compared:", comparison.not_compared)
    return Section(title, "verdict", [*said, *blocks])


def ranks_first(compared: Compared, anchor_of: Anchor, *blocks: Block) -> Section:
    """Return the first section where sources are many: ``blocks``, then what differs folded."""
    comparison = compared.comparison
    items = [(one.sentence, anchor_of(one)) for one in comparison.findings]
    said: list[Block] = [*blocks]
    if items:
        count = f"{len(items)} {'finding' if len(items) == 1 else 'findings'}"
        differ = f"What differs from {compared.names[0]} beyond doubt: {count}"
        said.append(Fold(differ, [Linked(items)]))
    else:
        said.append(Paragraph(_nothing(compared)))
    said += _listed("Conditions:", comparison.conditions)
    said += _listed("Not compared:", comparison.not_compared)
    return Section("Who stands where", "verdict", said)


def _nothing(compared: Compared) -> str:
    if not compared.comparison.differences:
        return "Nothing could be compared."
    return "Nothing differs beyond doubt."


def _listed(title: str, sentences: list[str]) -> list[Block]:
    """Return sentences under a title, those past the first few behind a line."""
    if not sentences:
        return []
    blocks: list[Block] = [Paragraph(title), Points(sentences[:MOST_OTHERS])]
    if more := sentences[MOST_OTHERS:]:
        blocks.append(Fold(f"{len(more)} more", [Points(more)]))
    return blocks


def overview_blocks(compared: Compared) -> list[Block]:
    """Return the figure of all differences, where there is one."""
    position = compared.positions[0] if compared.positions else ""
    found = compared.comparison.findings
    resonances = [one for one in found if one.quantity == "resonance" and one.low_hz is not None]
    picture = overview.picture(overview.rows_of(compared), position, resonances=resonances)
    return [] if picture is None else [picture]
