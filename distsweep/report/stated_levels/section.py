"""The page's section on THD at stated levels."""

from __future__ import annotations

from distsweep.report.content import Block, Fold, Section
from distsweep.report.stated_levels.figure import picture
from distsweep.report.stated_levels.table import harmonics_table, thd_table
from distsweep.report.stated_levels.words import stated_level_sentence
from distsweep.results import Results, Take


def stated_levels(_results: Results, take: Take, name: str) -> Section | None:
    """THD and harmonics at the levels that the session asks for; None where none is stated."""
    if not take.at_spl:
        return None
    tables: list[Block] = [thd_table(take)]
    harmonics = harmonics_table(take)
    tables += [] if harmonics is None else [harmonics]
    blocks: list[Block] = [
        picture(take, name),
        Fold("THD and harmonics at stated levels, in numbers", tables),
    ]
    lead = stated_level_sentence(take) or ""
    return Section("At stated levels", f"take-{name}.stated-levels", blocks, lead=lead)
