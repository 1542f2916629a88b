"""Found resonances as they are recorded: numbers as they are, reasons as sentences."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from distsweep.results import Decay, PossibleCause, Resonance, Take
from distsweep.words.resonance import sentence, sentences
from distsweep.words.resonance_notes import mode_name

if TYPE_CHECKING:
    from distsweep.analysis.resonance.causes import OfferedCause
    from distsweep.analysis.resonance.decay import FoundDecay
    from distsweep.analysis.resonance.find import ResonanceFindings
    from distsweep.analysis.resonance.found import FoundResonance
    from distsweep.analysis.resonance.steady import SteadyLevel


def resonance_records(findings: ResonanceFindings) -> list[Resonance]:
    """Return the records of all resonances, in their order."""
    return [resonance_record(found) for found in findings.resonances]


def resonance_notes(findings: ResonanceFindings) -> list[str]:
    """Say what cannot be told of a session's resonances."""
    return sentences(findings.notes)


def resonance_record(found: FoundResonance) -> Resonance:
    """Return the record of a resonance."""
    facts = found.facts
    heights, growth = facts.heights, facts.growth
    mild_db_per_db = growth.mild_db_per_db if growth.points else None
    return Resonance(
        frequency_hz=facts.mode.frequency_hz,
        q=facts.mode.q,
        kind=facts.kind,
        confidence=facts.confidence,
        prominence_db=heights.top.prominence_db,
        growth_db_per_db=growth.slope_db_per_db,
        seen_in=facts.seen_in,
        agrees_with=sentences(found.agrees_with),
        speaks_against=sentences(found.speaks_against),
        possible_causes=[cause_record(cause) for cause in found.causes],
        other_kind=facts.other_kind,
        expected_growth_db_per_db=mild_db_per_db,
        appears_at_dbfs=growth.appears_at_dbfs,
        growth=growth.points,
        fundamental_bump=facts.fundamental_bump,
        fundamental_bump_db=heights.bump_db if math.isfinite(heights.bump_db) else None,
        decay=decay_record(facts.decay),
        positions=facts.positions.at,
        summary=" ".join(sentences(found.summary)),
        **_steady_fields(facts.steady),
    )


def _steady_fields(steady: SteadyLevel | None) -> dict[str, Any]:
    """Return the fields that say what a steady tone would show."""
    if steady is None:
        return {}
    return {
        "steady_order": steady.order,
        "steady_hz": steady.frequency_hz,
        "steady_drive_dbfs": steady.drive_dbfs,
        "steady_level_db": steady.level_db,
        "steady_low_db": steady.low_db,
        "steady_high_db": steady.high_db,
        "swept_level_db": steady.swept_db,
        "steady_sweep_s": steady.sweep_s,
    }


def decay_record(found: FoundDecay) -> Decay:
    """Return the record of a decay."""
    numbers = {name: value for name, value in vars(found).items() if name != "reason"}
    return Decay(**numbers, sentence=sentence(found.reason))


def cause_record(offered: OfferedCause) -> PossibleCause:
    """Return the record of a possible cause."""
    mode = offered.mode
    return PossibleCause(
        name=mode_name(mode.kind, mode.orders),
        predicted_hz=mode.frequency_hz,
        off_percent=offered.off_percent,
        uncertainty_percent=offered.uncertainty_percent,
        match=offered.match,
        sentence=sentence(offered.reason),
    )


def with_resonances(
    takes: Sequence[Take], searched: Sequence[int], found: ResonanceFindings
) -> list[Take]:
    """Give each take that was searched, by its place in ``takes``, what its curves show.

    The impulse response learns of the first reflection, which the search for resonances finds.
    """
    shown = zip(searched, found.spikes, found.decay_maps, strict=True)
    recorded = list(takes)
    for place, spikes, decay_map in shown:
        impulse = takes[place].impulse
        if impulse is not None and decay_map is not None:
            impulse = dataclasses.replace(impulse, free_s=decay_map.reflection_s)
        recorded[place] = dataclasses.replace(
            takes[place], spikes=spikes, decay_map=decay_map, impulse=impulse
        )
    return recorded
