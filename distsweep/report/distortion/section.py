"""The page's section on distortion."""

from __future__ import annotations

from distsweep.report.content import Block, Fold, Paragraph, Section, Table
from distsweep.report.distortion import harmonics, impulses, thd
from distsweep.report.distortion.table import thd_table
from distsweep.results import Results, Take


def distortion(_results: Results, take: Take, name: str) -> Section | None:
    """THD and harmonics: figures and the compact table."""
    if not take.rungs:
        return None
    table = thd_table(take)
    blocks: list[Block] = [
        thd.picture(take, name),
        Fold("THD at octaves and thirds", [table]) if isinstance(table, Table) else table,
    ]
    if any(rung.harmonics for rung in take.rungs):
        blocks.append(harmonics.picture(take, name))
    else:
        blocks.append(Paragraph("No single harmonic was separated in this take."))
    blocks += [one] if (one := impulses.picture(take, name)) else []
    return Section("Distortion", f"take-{name}.distortion", blocks)
