"""The report's sections, in order. To add one: write a function and name it in a list below."""

from __future__ import annotations

from collections.abc import Callable

from distsweep.report import compression_sections, facts, pictures
from distsweep.report.content import Block, Paragraph, Points, Section, Terms
from distsweep.report.definitions import DEFINITIONS
from distsweep.report.names import unique_names
from distsweep.report.resonance_section import resonances
from distsweep.report.summary import background_of, summary_sentences
from distsweep.results import Results, Take

TakeSection = Callable[[Results, Take, str], Section | None]
WholeSection = Callable[[Results], Section | None]


def all_sections(results: Results) -> list[Section]:
    """Every section of the report, those about nothing left out."""
    found = [write(results) for write in _FIRST]
    found += take_sections(results)
    found += [write(results) for write in _LAST]
    return [section for section in found if section]


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


def warnings(results: Results) -> Section:
    """What the analysis warns of."""
    if not results.warnings:
        blocks: list[Block] = [Paragraph("The analysis found nothing to warn of.")]
    else:
        blocks = [Points([facts.warning_sentence(results, w) for w in results.warnings])]
    return Section("Warnings", "warnings", blocks)


def conditions(results: Results) -> Section:
    """Device, place and calibration."""
    return Section("Conditions", "conditions", [Terms(facts.condition_terms(results))])


def levels(_results: Results, take: Take, name: str) -> Section:
    """Stimulus and rungs."""
    blocks: list[Block] = [Terms(facts.take_terms(take))]
    if take.rungs:
        blocks.append(facts.rung_table(take))
    return Section("Levels played", f"take-{name}.levels", blocks)


def distortion(_results: Results, take: Take, name: str) -> Section | None:
    """THD and harmonics: figures and the compact table."""
    if not take.rungs:
        return None
    blocks: list[Block] = [pictures.thd(take, name), facts.thd_table(take)]
    if any(rung.harmonics for rung in take.rungs):
        blocks.append(pictures.harmonics(take, name))
    else:
        blocks.append(Paragraph("No single harmonic was separated in this take."))
    return Section("Distortion", f"take-{name}.distortion", blocks)


def output(_results: Results, take: Take, name: str) -> Section | None:
    """Fundamental and gain change."""
    if not take.rungs:
        return None
    blocks: list[Block] = [pictures.fundamental(take, name)]
    return Section("Output", f"take-{name}.output", blocks)


def compression(_results: Results, take: Take, name: str) -> Section | None:
    """Gain change, or why there is none."""
    if not take.rungs:
        return None
    picture = pictures.gain_change(take, name)
    blocks: list[Block] = [
        picture
        or Paragraph(
            "Compression was not worked out: it takes at least two rungs and a reference rung."
        )
    ]
    blocks += compression_sections.ladder_blocks(take, name)
    return Section("Compression", f"take-{name}.compression", blocks)


def background(results: Results, take: Take, name: str) -> Section:
    """Noise and hum while nothing was played."""
    found = background_of(results, take)
    return Section(
        "Background noise", f"take-{name}.background", facts.background_blocks(take, found)
    )


def definitions(_results: Results) -> Section:
    """What the words mean here."""
    return Section("Definitions", "definitions", [Terms(DEFINITIONS, long=True)])


def cautions(_results: Results) -> Section:
    """Before anyone repeats this."""
    return Section("Before you repeat this", "cautions", [Points(facts.CAUTIONS)])


_FIRST: list[WholeSection] = [summary, warnings, conditions, resonances]
_OF_A_TAKE: list[TakeSection] = [
    levels, distortion, output, compression, compression_sections.staircase, background,
]  # fmt: skip
_LAST: list[WholeSection] = [compression_sections.agreement, definitions, cautions]
