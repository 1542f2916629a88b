"""The search of one take: candidates, their evidence, and one verdict a frequency."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.alignment import candidates
from distsweep.analysis.confidence import confidence
from distsweep.analysis.echo import Echo, find_echo
from distsweep.analysis.evidence import Evidence, Response, fitted, free_response, gather
from distsweep.analysis.ladder import ImpulseResponse
from distsweep.analysis.resonance_curves import LadderCurves

LEAST_BUMP_DB, LEAST_RADIATED_DB, LEAST_EXCITED_DB = 2.0, 3.0, 5.0
"""Less is not looked into: half of what a mode that matters shows (chosen)."""

WIDEST_EXCITED_OCTAVES = 0.33
"""A Q of 8 whose second harmonic stands out by 25 dB: |B|² falls by 12.5 dB at x = 1.8."""

MOST_FITS = 5
"""Of either kind the strongest so many are fitted (chosen: fits take most of the time)."""

SAME_OCTAVES = 0.06
"""Verdicts closer than this are about one thing: the wider of two skirts of one spike."""


@dataclass(frozen=True)
class Verdict:
    """A candidate with its confidence, and that of the other kind at the same frequency."""

    evidence: Evidence
    confidence: float
    other_kind: float = 0.0


@dataclass(frozen=True)
class TakeSearch:
    """What a take's search used and found, best first."""

    curves: LadderCurves
    response: Response
    echo: Echo | None
    verdicts: list[Verdict]


def search_take(
    curves: LadderCurves, impulse: ImpulseResponse | None, *, rate_constant_s: float
) -> TakeSearch:
    """Find what may resonate in one take.

    Parameters
    ----------
    curves : of the take.
    impulse : of its loudest clean rung, to find a reflection by; None if there is none.
    rate_constant_s : the sweep's L.
    """
    echo = None if impulse is None else find_echo(impulse)
    comb_db = (
        np.zeros(len(curves.frequency_hz)) if echo is None else echo.comb_db(curves.frequency_hz)
    )
    response = free_response(curves, comb_db)
    gathered = [
        evidence
        for candidate in candidates(curves, comb_db)
        if (evidence := gather(curves, response, candidate)) is not None
    ]
    verdicts = []
    for evidence in _worth_a_fit(gathered):
        done = fitted(curves, response, evidence, rate_constant_s=rate_constant_s)
        verdicts.append(Verdict(done, confidence(done)))
    return TakeSearch(curves, response, echo, _one_each(verdicts))


def _worth_a_fit(gathered: list[Evidence]) -> list[Evidence]:
    radiated = [
        e
        for e in gathered
        if e.candidate.kind == "radiated"
        and e.bump_db >= LEAST_BUMP_DB
        and e.heights_db[0] >= LEAST_RADIATED_DB
    ]
    excited = [
        e
        for e in gathered
        if e.candidate.kind == "excited"
        and e.heights_db[0] >= LEAST_EXCITED_DB
        and e.candidate.width_octaves <= WIDEST_EXCITED_OCTAVES
    ]
    radiated.sort(key=lambda e: -(e.bump_db + e.heights_db[0]) / (0.1 + e.candidate.width_octaves))
    excited.sort(key=lambda e: -sum(e.heights_db[:2]) / (0.1 + e.candidate.width_octaves))
    return _apart(radiated)[:MOST_FITS] + _apart(excited)[:MOST_FITS]


def _apart(ranked: list[Evidence]) -> list[Evidence]:
    """Leave out what lies on the skirt of something stronger."""
    kept: list[Evidence] = []
    for one in ranked:
        if all(octaves(one.candidate.frequency_hz, k.candidate.frequency_hz) > 0.04 for k in kept):
            kept.append(one)
    return kept


def _one_each(verdicts: list[Verdict]) -> list[Verdict]:
    """Keep the best verdict of each frequency; it remembers what the other kind would get."""
    kept: list[Verdict] = []
    for one in sorted(verdicts, key=lambda v: -v.confidence):
        near = [
            i
            for i, other in enumerate(kept)
            if octaves(one.evidence.frequency_hz, other.evidence.frequency_hz) <= SAME_OCTAVES
        ]
        if not near:
            kept.append(one)
            continue
        best = kept[near[0]]
        if one.evidence.candidate.kind != best.evidence.candidate.kind:
            kept[near[0]] = replace(best, other_kind=max(best.other_kind, one.confidence))
    return kept


def octaves(one_hz: float, other_hz: float) -> float:
    """Distance of two frequencies."""
    return abs(math.log2(one_hz / other_hz))
