"""Resonances of a session: every take is searched, and what they say is put together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from distsweep.analysis.resonance.causes import (
    Enclosure,
    PredictedMode,
    possible_causes,
    predicted_modes,
)
from distsweep.analysis.resonance.curves import SearchedTake, ladder_curves, take_spikes
from distsweep.analysis.resonance.decay import FoundDecay, Ringing, decay_at, decay_map
from distsweep.analysis.resonance.echo_search import find_echoes
from distsweep.analysis.resonance.linear_response import linear_response
from distsweep.analysis.resonance.listing import ListedCandidate, listed, rungs_that_show
from distsweep.analysis.resonance.notes import notes
from distsweep.analysis.resonance.take_modes import Q_WITHOUT_FIT, nearest, take_modes
from distsweep.analysis.resonance.take_search import TakeSearch, search_take
from distsweep.reason import Reason
from distsweep.results import AtPosition, DecayMap, SpikeSeen, Tone

if TYPE_CHECKING:
    from distsweep.analysis.resonance.evidence import Evidence
    from distsweep.analysis.resonance.found import FoundResonance
    from distsweep.analysis.resonance.steady import SteadyChange, SteadyLevel
    from distsweep.analysis.resonance.swept_fit import FittedMode

__all__ = ["Enclosure", "ResonanceFindings", "SearchedTake", "find_resonances"]

LAST_REFLECTION_DB = -26.0
"""A reflection weaker than this re the direct sound leaves a decay of 20 dB alone (chosen: it adds
half of what is left at −20 dB)."""

SHOWN_UNCERTAINTY, PRODUCTS_UNCERTAINTY = 0.003, 0.008
"""Of a resonance's own frequency, as a fraction, where the response shows it, and where only the
products do: 95 of 100 of 1590 simulated ones are closer. Taken for one standard
deviation where causes are matched, which is cautious (chosen)."""


@dataclass(frozen=True)
class ResonanceFindings:
    """What was found in a session.

    Attributes
    ----------
    resonances : highest confidence first.
    notes : what the session cannot show, and why.
    ``spikes``, ``decay_maps``, ``steady_changes`` : of each take given, in their order; none of one
        that could not be searched, and no change where no excited mode was found.
    """

    resonances: tuple[FoundResonance, ...]
    notes: tuple[Reason, ...]
    spikes: tuple[list[SpikeSeen], ...]
    decay_maps: tuple[DecayMap | None, ...]
    steady_changes: tuple[SteadyChange | None, ...]


@dataclass(frozen=True)
class _Searched:
    """A take with its search and its ringing."""

    take: SearchedTake
    search: TakeSearch
    ringing: Ringing

    @property
    def free_s(self) -> float | None:
        """Time until the first strong reflection, None if there is none."""
        echoes = self.search.curves.echoes
        return min((e.first_s for e in echoes if e.strength_db >= LAST_REFLECTION_DB), default=None)

    def spikes(self) -> list[SpikeSeen]:
        return take_spikes(self.take, self.search.curves)

    def decay_map(self) -> DecayMap:
        loudest_dbfs = float(self.search.curves.drive_dbfs[-1])
        return decay_map(self.ringing, drive_dbfs=loudest_dbfs, reflection_s=self.free_s)


def find_resonances(
    takes: Sequence[SearchedTake], enclosure: Enclosure, *, hum: Sequence[Tone] = ()
) -> ResonanceFindings:
    """Rank what may resonate, with what speaks for it and against it.

    Parameters
    ----------
    takes : the ladder takes of a session; the complete one at "axis" leads, or else the first.
    enclosure : for possible causes.
    hum : mains lines of the background.
    """
    in_order = [_search(take) for take in takes]
    searched = sorted(
        (done for done in in_order if done is not None),
        key=lambda done: (done.take.position != "axis", done.take.partial),
    )
    modes = predicted_modes(enclosure)
    items = listed([s.search for s in searched])
    excited = [
        item.judged.evidence for item in items if item.judged.evidence.candidate.kind == "excited"
    ]
    passed = [
        [] if done is None else take_modes(done.take, done.search, excited) for done in in_order
    ]
    by_search = {id(d.search): m for d, m in zip(in_order, passed, strict=True) if d is not None}
    resonances = tuple(
        _resonance(item, searched, modes, hum, by_search[id(item.search)]) for item in items
    )
    return ResonanceFindings(
        resonances,
        tuple(
            notes(
                [s.search.curves for s in searched],
                takes=len(takes),
                resonances=len(resonances),
                sizes_known=bool(modes),
            )
        ),
        tuple([] if done is None else done.spikes() for done in in_order),
        tuple(None if done is None else done.decay_map() for done in in_order),
        tuple(_changes(take, fitted) for take, fitted in zip(takes, passed, strict=True)),
    )


def _changes(take: SearchedTake, fitted: Sequence[FittedMode]) -> SteadyChange | None:
    """Return what steady tones would change of a take; None where no excited mode was fitted."""
    if take.swept is None or not fitted:
        return None
    from distsweep.analysis.resonance.steady import steady_change

    return steady_change(take.swept, fitted)


def _search(take: SearchedTake) -> _Searched | None:
    """Search a take; None where every rung clipped or there is no harmonic."""
    if take.impulse is None:
        return None
    response = linear_response(take.impulse)
    echoes = find_echoes(response, top_hz=float(take.frequency_hz[-1]))
    curves = ladder_curves(take, echoes)
    if curves is None:
        return None
    search = search_take(curves, response, rate_constant_s=take.rate_constant_s)
    return _Searched(take, search, Ringing(take.impulse))


def _resonance(
    item: ListedCandidate,
    searched: Sequence[_Searched],
    modes: Sequence[PredictedMode],
    hum: Sequence[Tone],
    passed: Sequence[FittedMode],
) -> FoundResonance:
    """Measure a listed candidate at every position, and gather what is to be said of it."""
    # Loaded with the first resonance: many sessions show none.
    from distsweep.analysis.resonance.found import FoundResonance, ResonanceFacts
    from distsweep.analysis.resonance.growth import growth_of
    from distsweep.analysis.resonance.positions import at_positions, seen_in
    from distsweep.analysis.resonance.reasons import agreements, contradictions, summary

    evidence, curves = item.judged.evidence, item.search.curves
    positions = at_positions([s.search for s in searched], evidence)
    levels_showing, levels_clear = rungs_that_show(curves, evidence)
    facts = ResonanceFacts(
        position=curves.position,
        evidence=evidence,
        confidence=item.confidence,
        other_kind=item.judged.other_kind,
        levels_showing=levels_showing,
        levels_clear=levels_clear,
        growth=growth_of(curves, evidence),
        decay=_decay(searched, evidence, positions.at),
        positions=positions,
        own_peaks=seen_in(curves, evidence.seen),
        steady=_steady(evidence, passed, float(curves.drive_dbfs[-1])),
    )
    causes = possible_causes(evidence.frequency_hz, frequency_uncertainty(evidence), modes)
    return FoundResonance(
        facts,
        tuple(causes),
        agreements(facts),
        contradictions(facts, curves, hum),
        summary(facts, causes, sizes_known=bool(modes)),
    )


def _steady(
    evidence: Evidence, passed: Sequence[FittedMode], drive_dbfs: float
) -> SteadyLevel | None:
    """Return what a steady tone shows of an excited resonance that was fitted."""
    if evidence.candidate.kind != "excited":
        return None
    from distsweep.analysis.resonance.steady import steady_level

    mode = nearest(passed, evidence.frequency_hz)
    return None if mode is None else steady_level(mode, drive_dbfs)


def frequency_uncertainty(evidence: Evidence) -> float:
    """Return what a resonance's frequency is uncertain by, as a fraction."""
    return SHOWN_UNCERTAINTY if evidence.in_response else PRODUCTS_UNCERTAINTY


def _decay(
    searched: Sequence[_Searched], evidence: Evidence, positions: Sequence[AtPosition]
) -> FoundDecay:
    """Look at every take's decay; that of the position where the mode is strongest counts.

    Where the room or noise hides it there, any other that shows it does.
    """
    if evidence.candidate.kind == "excited":
        return FoundDecay("unknown", Reason("decay_not_looked_at"))
    q = Q_WITHOUT_FIT if evidence.mode is None else evidence.mode.q
    bumps_db = [at.fundamental_bump_db or 0.0 for at in positions]
    ranked = [searched[k] for k in sorted(range(len(searched)), key=lambda k: -bumps_db[k])]
    decays = [
        decay_at(
            done.ringing, evidence.frequency_hz, q, free_s=done.free_s,
            position=done.take.position,
        )
        for done in ranked
        if done.search.curves.holds(evidence.frequency_hz)
    ]  # fmt: skip
    if not decays:
        return FoundDecay("unknown", Reason("decay_outside_sweep"))
    return next((decay for decay in decays if decay.state != "hidden"), decays[0])
