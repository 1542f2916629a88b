"""The report's sections, in order. To add one: write a function in its topic, and list it below.

What the loudspeaker did on the axis comes first and open; near fields, other angles and repeats
are folded to a line each.
"""

from __future__ import annotations

from collections.abc import Callable

from distsweep.report import facts
from distsweep.report.agreement.section import agreement
from distsweep.report.background.section import background
from distsweep.report.content import Block, Paragraph, Section
from distsweep.report.damage.section import damage
from distsweep.report.definitions import definitions
from distsweep.report.distortion.section import distortion
from distsweep.report.fundamental.section import output
from distsweep.report.hiss.section import hiss
from distsweep.report.impulse.section import impulse
from distsweep.report.limits.section import compression, staircase
from distsweep.report.names import unique_names
from distsweep.report.placements.section import placements
from distsweep.report.provenance.section import provenance
from distsweep.report.reading import reading
from distsweep.report.resonances.section import resonances
from distsweep.report.stated_levels.section import stated_levels
from distsweep.report.summary import lead, take_head
from distsweep.report.verdict.leading import leading_takes
from distsweep.report.verdict.section import verdict
from distsweep.results import BACKGROUND, Results, Take

TakeSection = Callable[[Results, Take, str], Section | None]
WholeSection = Callable[[Results], Section | None]


def all_sections(results: Results) -> list[Section]:
    """Every section of the report, those about nothing left out."""
    sections = [write(results) for write in _FIRST]
    takes = take_sections(results)
    sections += [section for section in takes if not section.folded]
    sections += [write(results) for write in _BETWEEN]
    sections += [section for section in takes if section.folded]
    sections += [write(results) for write in _LAST]
    return [section for section in sections if section]


def take_sections(results: Results) -> list[Section]:
    """One section a take, in the order of the results, each with its own sections inside.

    Takes of the background have a section of their own, all of them together.
    """
    names = unique_names(take.position for take in results.takes)
    leading = leading_takes(results)
    takes = [(one, name) for one, name in zip(results.takes, names, strict=True)
             if one.kind != BACKGROUND]  # fmt: skip
    opened = [leading.take, leading.staircase] if leading else [take for take, _ in takes[:1]]
    whole = []
    for take, name in takes:
        is_open = any(take is one for one in opened)
        head: list[Block] = take_head(results, take)
        if take is opened[0]:
            head.append(reading(results))
        inner = [part for write in _OF_A_TAKE if (part := write(results, take, name))]
        heading = f"Take: {take.position}{_kind(results, take)}"
        line = "" if is_open else lead(results, take)
        whole.append(Section(heading, f"take-{name}", head, inner, not is_open, line))
    return whole


def no_takes(results: Results) -> Section | None:
    """Say that there is nothing to report."""
    if results.takes:
        return None
    return Section("Takes", "takes", [Paragraph("The results hold no take.")])


def _kind(results: Results, take: Take) -> str:
    """Tell takes at one position apart: what was played, which placement, whether to its end."""
    beside = [
        other
        for other in results.takes
        if other.position == take.position and other.kind != BACKGROUND
    ]
    kind = f", {take.kind}" if len({other.kind for other in beside}) > 1 else ""
    placements = {other.placement for other in beside if other.placement is not None}
    if take.placement is not None and len(placements) > 1:
        kind += f", placement {take.placement} of {max(placements)}"
    return f"{kind}, partial" if take.partial else kind


_FIRST: list[WholeSection] = [verdict, no_takes]
_OF_A_TAKE: list[TakeSection] = [
    damage, distortion, stated_levels, output, compression,
    staircase, background, facts.levels, impulse,
]  # fmt: skip
_BETWEEN: list[WholeSection] = [placements, agreement, resonances, hiss]
"""Between the takes that are open and those that are folded."""

_LAST: list[WholeSection] = [
    facts.warnings, facts.conditions, definitions, facts.cautions, provenance,
]  # fmt: skip
