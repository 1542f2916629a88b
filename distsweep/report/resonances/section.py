"""The report's section on resonances: a ranked table, and a strip for each that matters."""

from __future__ import annotations

from distsweep.report.content import Block, Cell, Fold, Paragraph, Points, Section, Table
from distsweep.report.resonances import decay_map, strip
from distsweep.results import AXIS, Resonance, Results
from distsweep.words import wording

MOST_STRIPS = 6
LEAST_FOR_A_STRIP = 0.3  # below, seven of ten are nothing: a line in the table will do
_READING = (
    "Top left: if it radiates, the peaks of all harmonics line up here. Top right: if it is set "
    "off, they line up here instead. Below: how one harmonic grows (open dots lie near the noise), "
    "the response, the decay at the resonance (dark) and beside it (pale), and each position."
)


def resonances(results: Results) -> Section | None:
    """Resonances ranked by confidence, or why nothing can be said of any."""
    if not any(take.rungs for take in results.takes):
        return None
    blocks: list[Block] = [Paragraph(_opening(results))]
    if results.resonances:
        blocks.append(_table(results.resonances))
    if results.resonance_notes:
        blocks.append(Points(results.resonance_notes))
    shown = [r for r in results.resonances if r.confidence >= LEAST_FOR_A_STRIP][:MOST_STRIPS]
    inner = [_strip(results, one, number) for number, one in enumerate(shown, start=1)]
    if shown:
        blocks.append(Fold("How to read what shows of a resonance", [Paragraph(_READING)]))
    if maps := _maps(results, shown):
        blocks.append(Fold("How sound decays, over frequency", [*maps]))
    return Section("Resonances", "resonances", blocks, inner)


def _opening(results: Results) -> str:
    if not results.resonances and not results.resonance_notes:
        return "These results do not say whether resonances were looked for: analyse again."
    if not results.resonances:
        return "No resonance is reported. What that means, and what it does not:"
    likely = sum(one.confidence >= 0.5 for one in results.resonances)
    return (
        f"{len(results.resonances)} possible, of which {likely} more likely than not. "
        "The confidence is a share: of many simulated ones "
        "called 0.8, about eight in ten are real."
    )


def _table(found: list[Resonance]) -> Table:
    rows = [
        [
            Cell(wording.whole_hertz(one.frequency_hz)),
            Cell(one.kind),
            Cell(wording.confidence(one.confidence)),
            Cell("—" if one.q is None else f"{one.q:.0f}"),
            Cell(wording.decibels(one.prominence_db)),
            _growth_cell(one),
            Cell("—" if one.appears_at_dbfs is None else wording.drive(one.appears_at_dbfs)),
            Cell(_strongest(one)),
        ]
        for one in found
    ]
    columns = [
        "Frequency", "Kind", "Confidence", "Q", "Peak", "Growth, dB per dB", "From drive",
        "Strongest at",
    ]  # fmt: skip
    note = (
        "Radiated: follows the frequency heard, lifting every product that lands there. Excited: "
        "follows the frequency played, which sets it off."
    )
    caption = (
        "Ranked by confidence. “Peak”: height of the highest over its surroundings. “Growth”: "
        "of the harmonic followed, and below it what mild nonlinearity would give."
    )
    return Table(caption, columns, rows, note=note)


def _growth_cell(resonance: Resonance) -> Cell:
    if resonance.growth_db_per_db is None or resonance.expected_growth_db_per_db is None:
        return Cell("not known", pale=True)
    return Cell(
        wording.signed(resonance.growth_db_per_db),
        f"mild: {resonance.expected_growth_db_per_db:.0f}",
    )


def _strongest(resonance: Resonance) -> str:
    return next((p.position for p in resonance.positions if p.state == "strongest"), "not known")


def _strip(results: Results, resonance: Resonance, number: int) -> Section:
    name = f"resonance-{number}"
    title = f"{wording.whole_hertz(resonance.frequency_hz)}, {resonance.kind}"
    picture = strip.picture(results, resonance, name)
    evidence: list[Block] = []
    if resonance.agrees_with:
        evidence += [Paragraph("What agrees:"), Points(resonance.agrees_with)]
    against = resonance.speaks_against or ["Nothing that was looked at."]
    evidence += [Paragraph("What speaks against it:"), Points(against)]
    if resonance.possible_causes:
        causes = [cause.sentence for cause in resonance.possible_causes]
        evidence += [Paragraph("Possible causes, from the sizes given:"), Points(causes)]
    folded = Fold("What agrees, what speaks against it, and possible causes", evidence)
    return Section(title, name, [Paragraph(resonance.summary), picture, folded])


def _maps(results: Results, shown: list[Resonance]) -> list[Block]:
    """The decay map of the leading take, and of the one where the first resonance is strongest."""
    takes = [take for take in results.takes if take.decay_map is not None]
    takes.sort(key=lambda take: (take.position != AXIS, take.partial))
    wanted = [_strongest(one) for one in shown if one.kind == "radiated"]
    picked = takes[:1] + [t for t in takes[1:] if t.position in wanted[:1]]
    marks_hz = [one.frequency_hz for one in shown]
    return [
        decay_map.picture(take, marks_hz, f"decay-map-{number}")
        for number, take in enumerate(picked, start=1)
    ]
