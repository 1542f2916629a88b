"""The report's sections, in order. To add one: write a function in its topic, and list it below."""

from __future__ import annotations

from collections.abc import Callable

from distsweep.report import facts
from distsweep.report.agreement.section import agreement
from distsweep.report.background.section import background
from distsweep.report.content import Paragraph, Points, Section
from distsweep.report.damage.section import damage
from distsweep.report.definitions import definitions
from distsweep.report.distortion.section import distortion
from distsweep.report.fundamental.section import output
from distsweep.report.limits.section import compression, staircase
from distsweep.report.names import unique_names
from distsweep.report.resonances.section import resonances
from distsweep.report.stated_levels.section import stated_levels
from distsweep.report.summary import summary_sentences
from distsweep.results import Results, Take

TakeSection = Callable[[Results, Take, str], Section | None]
WholeSection = Callable[[Results], Section | None]


def all_sections(results: Results) -> list[Section]:
    """Every section of the report, those about nothing left out."""
    sections = [write(results) for write in _FIRST]
    sections += take_sections(results)
    sections += [write(results) for write in _LAST]
    return [section for section in sections if section]


def take_sections(results: Results) -> list[Section | None]:
    """One section a take, each with its own sections inside."""
    names = unique_names(take.position for take in results.takes)
    whole: list[Section | None] = []
    for take, name in zip(results.takes, names, strict=True):
        inner = [part for write in _OF_A_TAKE if (part := write(results, take, name))]
        heading = f"Take: {take.position}{_kind(results, take)}"
        whole.append(Section(heading, f"take-{name}", sections=inner))
    return whole


def summary(results: Results) -> Section:
    """What was found, in sentences; several takes one after the other."""
    if not results.takes:
        return Section("Summary", "summary", [Paragraph("The results hold no take.")])
    if len(results.takes) == 1:
        sentences = summary_sentences(results, results.takes[0])
        return Section("Summary", "summary", [Points(sentences)])
    parts = []
    names = unique_names(take.position for take in results.takes)
    for take, name in zip(results.takes, names, strict=True):
        points = Points(summary_sentences(results, take))
        heading = f"At “{take.position}”{_kind(results, take)}"
        parts.append(Section(heading, f"summary-{name}", [points]))
    return Section("Summary", "summary", sections=parts)


def _kind(results: Results, take: Take) -> str:
    """Tell takes at one position apart by what was played there, and whether to its end."""
    kinds = {other.kind for other in results.takes if other.position == take.position}
    kind = f", {take.kind}" if len(kinds) > 1 else ""
    return f"{kind}, partial" if take.partial else kind


_FIRST: list[WholeSection] = [summary, facts.warnings, facts.conditions, resonances]
_OF_A_TAKE: list[TakeSection] = [
    facts.levels, damage, distortion, stated_levels, output, compression, staircase, background,
]  # fmt: skip
_LAST: list[WholeSection] = [agreement, definitions, facts.cautions]
