"""The page's first section: the verdict, at most six sentences and one figure."""

from __future__ import annotations

from distsweep.report.content import Block, Linked, Section
from distsweep.report.verdict import figure
from distsweep.report.verdict.findings import findings
from distsweep.results import Results


def verdict(results: Results) -> Section:
    """What a reader wants to know first, each sentence with a link to its evidence."""
    items = [(one.sentence, one.anchor) for one in findings(results)]
    blocks: list[Block] = [Linked(items)]
    picture = figure.picture(results)
    return Section("Verdict", "verdict", blocks if picture is None else [*blocks, picture])
