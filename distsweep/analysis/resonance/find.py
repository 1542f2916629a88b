"""Resonances of a session: every take is searched, and what they say is put together."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from distsweep.analysis.resonance import words
from distsweep.analysis.resonance.candidates import highest_near, tolerance_octaves
from distsweep.analysis.resonance.causes import possible_causes, predicted_modes
from distsweep.analysis.resonance.curves import LadderCurves, ladder_curves, take_spikes
from distsweep.analysis.resonance.decay import Ringing, decay_at, decay_map
from distsweep.analysis.resonance.echo_search import find_echoes
from distsweep.analysis.resonance.evidence import Evidence
from distsweep.analysis.resonance.growth import growth_of
from distsweep.analysis.resonance.notes import notes
from distsweep.analysis.resonance.positions import at_positions
from distsweep.analysis.resonance.response import linear_response
from distsweep.analysis.resonance.search import (
    TakeSearch,
    Verdict,
    is_double,
    is_image,
    search_take,
)
from distsweep.analysis.sweep.harmonics import ImpulseResponse
from distsweep.results import AtPosition, Decay, DecayMap, Resonance, SeenIn, SpikeSeen, Take, Tone

LEAST_CONFIDENCE = 0.1
"""Less is not listed: nineteen of twenty such candidates are nothing."""

MOST_LISTED = 12

LAST_REFLECTION_DB = -26.0
"""A reflection weaker than this re the direct sound leaves a decay of 20 dB alone."""

ELSEWHERE_FACTOR, ELSEWHERE_ONLY_FACTOR = 0.8, 0.5
"""The confidence is calibrated for the position that levels are quoted at. What another position
shows more clearly counts less, and half where the leading one shows nothing (chosen: near
fields were not part of the calibration)."""

NOWHERE_ELSE_FACTOR = 0.3
"""For a radiated mode of which every other position, of two or more, shows nothing: what the room
makes on the axis looks so (chosen: the population has one position)."""

ONE_RUNG_SHOWS_FACTOR = 0.3
"""For a peak that one rung shows and others, clear of the noise, do not (chosen: a burst of noise
makes such; the population has none)."""

EITHER_KIND_FACTOR = 0.5
"""For a lone order that could as well be lifted where it lands, by a mode that an equaliser takes
off the response: nothing tells which (simulated: none of a handful was set off)."""

SHOWN_UNCERTAINTY, PRODUCTS_UNCERTAINTY = 0.003, 0.008
"""Of a resonance's own frequency, as a fraction, where the response shows it, and where only the
products do: 95 of 100 of 1590 simulated ones are closer. Taken for one standard
deviation where causes are matched, which is cautious."""


@dataclass(frozen=True)
class SearchedTake:
    """A ladder take and what the search needs besides its results."""

    take: Take
    impulse: ImpulseResponse | None
    rate_constant_s: float


@dataclass(frozen=True)
class Enclosure:
    """What is known of the cabinet, its port and the air, each None where it was not noted."""

    cabinet_mm: Sequence[float] | None = None
    port_mm: Mapping[str, float] | None = None
    temperature_c: float | None = None


@dataclass
class ResonanceFindings:
    """What was found, what a take's curves show besides, and what cannot be told."""

    resonances: list[Resonance] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    spikes: list[list[SpikeSeen]] = field(default_factory=list)
    decay_maps: list[DecayMap | None] = field(default_factory=list)


@dataclass(frozen=True)
class _Searched:
    given: SearchedTake
    search: TakeSearch
    ringing: Ringing

    @property
    def free_s(self) -> float | None:
        """Time until the first strong reflection, None if there is none."""
        echoes = self.search.curves.echoes
        return min((e.first_s for e in echoes if e.strength_db >= LAST_REFLECTION_DB), default=None)


def find_resonances(
    takes: Sequence[SearchedTake], enclosure: Enclosure, *, hum: Sequence[Tone] = ()
) -> ResonanceFindings:
    """Rank what may resonate, with what speaks for it and against it.

    Parameters
    ----------
    takes : the ladder takes of a session; the complete one at "axis" leads, or else the first.
    enclosure : for possible causes.
    hum : mains lines of the background.

    Returns
    -------
    Resonances with the highest confidence first; notes say what cannot be told and why.
    ``spikes`` and ``decay_maps`` have an entry a take, in their order.
    """
    findings = ResonanceFindings()
    searched: list[_Searched] = []
    for one in takes:
        done = _search(one)
        findings.spikes.append([] if done is None else take_spikes(one.take, done.search.curves))
        findings.decay_maps.append(None if done is None else _map(done))
        if done is not None:
            searched.append(done)
    searched.sort(key=lambda s: (s.given.take.position != "axis", s.given.take.partial))
    modes = predicted_modes(enclosure.cabinet_mm, enclosure.port_mm, enclosure.temperature_c)
    for lead, verdict, certainty in listed(searched):
        resonance = _resonance(lead, verdict, certainty, searched, hum)
        resonance.possible_causes = possible_causes(
            resonance.frequency_hz, _frequency_uncertainty(verdict.evidence), modes
        )
        resonance.summary = words.summary(resonance, causes_known=bool(modes))
        findings.resonances.append(resonance)
    findings.notes = notes(
        [take.take for take in takes],
        [s.search.curves for s in searched],
        findings.resonances,
        causes_known=bool(modes),
    )
    return findings


def _frequency_uncertainty(evidence: Evidence) -> float:
    return SHOWN_UNCERTAINTY if evidence.in_response else PRODUCTS_UNCERTAINTY


def _search(one: SearchedTake) -> _Searched | None:
    """Search a take; None where every rung clipped or there is no harmonic."""
    if one.impulse is None:
        return None
    response = linear_response(one.impulse)
    echoes = find_echoes(response, top_hz=float(one.take.frequency_hz[-1]))
    curves = ladder_curves(one.take, echoes, rate_constant_s=one.rate_constant_s)
    if curves is None:
        return None
    search = search_take(curves, response, rate_constant_s=one.rate_constant_s)
    return _Searched(one, search, Ringing(one.impulse))


def _map(one: _Searched) -> DecayMap:
    return decay_map(
        one.ringing,
        drive_dbfs=float(one.search.curves.drive_dbfs[-1]),
        reflection_s=one.free_s,
    )


def listed(searched: Sequence[_Searched]) -> list[tuple[_Searched, Verdict, float]]:
    """Choose the verdicts to list: the leading take's, and what only others show."""
    enough: list[tuple[_Searched, Verdict, float]] = []
    for number, one in enumerate(searched):
        for verdict in one.search.verdicts:
            certainty = verdict.confidence * _persistence(one.search.curves, verdict.evidence)
            if verdict.evidence.either:
                certainty *= EITHER_KIND_FACTOR
            if number:
                first = at_positions([searched[0].search], verdict.evidence).at[0]
                shows = first.state == "present"
                certainty *= ELSEWHERE_FACTOR if shows else ELSEWHERE_ONLY_FACTOR
            elif _nowhere_else(searched, verdict.evidence):
                certainty *= NOWHERE_ELSE_FACTOR
            if certainty >= LEAST_CONFIDENCE:
                enough.append((one, verdict, certainty))
    ranked: list[tuple[_Searched, Verdict, float]] = []
    for item in sorted(enough, key=lambda item: -item[2]):
        evidence = item[1].evidence
        before = [other.evidence for _, other, _ in ranked]
        if not is_image(evidence, before) and not any(is_double(evidence, b) for b in before):
            ranked.append(item)
    return ranked[:MOST_LISTED]


def _nowhere_else(searched: Sequence[_Searched], evidence: Evidence) -> bool:
    """Tell whether a radiated mode is missing at every other position, of several."""
    others = [one.search for one in searched[1:]]
    if evidence.candidate.kind != "radiated" or len(others) < 2:
        return False
    return all(at.state == "missing" for at in at_positions(others, evidence).at)


def _persistence(curves: LadderCurves, evidence: Evidence) -> float:
    """1, or less where one rung shows what others should have."""
    shown, asked = rungs_that_show(curves, evidence)
    return ONE_RUNG_SHOWS_FACTOR if asked >= 2 and shown == 1 else 1.0


def rungs_that_show(curves: LadderCurves, evidence: Evidence) -> tuple[int, int]:
    """Return how many rungs show a candidate, and how many could: that one and every clear one.

    A rung shows it that has a peak, or one half as high as the strongest in the same order.
    """
    shown = {seen.row for seen in evidence.seen}
    top = evidence.strongest
    family = curves.absolute if evidence.candidate.kind == "radiated" else curves.input_referred
    place, tolerance = round(curves.place(top.excitation_hz)), tolerance_octaves(evidence.candidate)
    clear = np.flatnonzero(curves.above_floor_db[:, top.column, place] >= words.CLEAR_DB)
    for row in clear:
        prominence_db = family.prominence_db[row, top.column]
        height_db, _ = highest_near(curves, prominence_db, top.excitation_hz, tolerance)
        if height_db >= 0.5 * top.prominence_db:
            shown.add(int(row))
    return len(shown), len(shown | {int(row) for row in clear})


def _resonance(
    lead: _Searched,
    verdict: Verdict,
    certainty: float,
    searched: Sequence[_Searched],
    hum: Sequence[Tone],
) -> Resonance:
    evidence, curves = verdict.evidence, lead.search.curves
    growth = growth_of(curves, evidence)
    positions = at_positions([s.search for s in searched], evidence)
    decay = _decay(searched, evidence, positions.at)
    top = evidence.strongest
    resonance = Resonance(
        frequency_hz=evidence.frequency_hz,
        q=None if evidence.mode is None else evidence.mode.q,
        kind=evidence.candidate.kind,
        confidence=certainty,
        prominence_db=top.prominence_db,
        growth_db_per_db=growth.slope_db_per_db,
        seen_in=_seen_in(curves, evidence, positions.seen),
        other_kind=verdict.other_kind,
        expected_growth_db_per_db=float(growth.order - 1),
        appears_at_dbfs=growth.appears_at_dbfs,
        growth=growth.points,
        fundamental_bump=words.bump_state(evidence),
        fundamental_bump_db=evidence.bump_db if math.isfinite(evidence.bump_db) else None,
        decay=decay,
        positions=positions.at,
    )
    case = words.Case(
        resonance, evidence, curves, rungs_that_show(curves, evidence), hum,
        lead.given.take.position,
    )  # fmt: skip
    resonance.agrees_with = words.agreements(case)
    resonance.speaks_against = words.contradictions(case)
    return resonance


def _seen_in(curves: LadderCurves, evidence: Evidence, elsewhere: Sequence[SeenIn]) -> list[SeenIn]:
    """Join the peaks of the take that leads with those at other positions."""
    own = [
        SeenIn(
            curves.position, seen.order, seen.excitation_hz,
            float(curves.drive_dbfs[seen.row]), seen.prominence_db,
        )
        for seen in evidence.seen
    ]  # fmt: skip
    return own + [seen for seen in elsewhere if seen.position != curves.position]


def _decay(
    searched: Sequence[_Searched], evidence: Evidence, positions: Sequence[AtPosition]
) -> Decay:
    """Look at every take's decay; that of the position where the mode is strongest counts.

    Where the room or noise hides it there, any other that shows it does.
    """
    if evidence.candidate.kind == "excited":
        return Decay(
            "unknown",
            sentence="An excited resonance need not ring in the linear response, so its decay "
            "was not looked at.",
        )
    q = 20.0 if evidence.mode is None else evidence.mode.q
    bumps = [at.fundamental_bump_db or 0.0 for at in positions]
    ranked = [searched[k] for k in sorted(range(len(searched)), key=lambda k: -bumps[k])]
    told = [
        decay_at(
            one.ringing, evidence.frequency_hz, q, free_s=one.free_s,
            where=one.search.curves.position,
        )
        for one in ranked
        if one.search.curves.holds(evidence.frequency_hz)
    ]  # fmt: skip
    if not told:
        return Decay("unknown", sentence="Its frequency lies outside the sweep, so its decay is "
                     "not seen.")  # fmt: skip
    return next((decay for decay in told if decay.state != "hidden"), told[0])
