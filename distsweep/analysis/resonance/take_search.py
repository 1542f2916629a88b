"""The search of one take: candidates, their evidence, and the best one at each frequency."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from distsweep.analysis.resonance.candidates import candidates, octaves
from distsweep.analysis.resonance.curves import LadderCurves
from distsweep.analysis.resonance.evidence import Evidence, clearest, gather
from distsweep.analysis.resonance.linear_response import LinearResponse

LEAST_RADIATED_DB, LEAST_EXCITED_DB = 3.0, 5.0
"""Less is not looked into (chosen: half of what a mode that matters shows)."""

WIDEST_EXCITED_OCTAVES = 0.33
"""What is wider is no narrow mode (chosen: a Q of 8 whose second harmonic stands out by 25 dB, as
|B|² falls by 12.5 dB at x = 1.8)."""

MOST_FITS = 5
"""So many of each kind are fitted, the strongest (chosen: fits take most of the time)."""

OWN_SHARE = 0.4
"""What stands only where the other kind explains it, but for less than this share of its highest
peak, is an image (chosen: what a maker leaves unexplained is ripple)."""

OWN_EXPLAINED = 0.9
"""A radiated mode that explains so much of the linear response needs no share of its highest peak
for itself, as harmonics have no part in that; nor does one that explains orders which each stand
alone (chosen: chance explains less)."""

LEFT_DB = 4.0
"""A division leaves no more than so much above what the mode lifts: the response, or the second
highest of its products, as the highest may be the other's own, unless orders that stand alone
agree on the mode (chosen: what windows and a second driver may add)."""

SAME_BANDWIDTHS, WIDEST_BANDWIDTH_OCTAVES = 1.2, 0.18
"""Two modes closer than so many bandwidths cannot be told apart, up to the bandwidth of a Q of 8
(chosen: peaks of one width merge at about one bandwidth)."""

CALLED = 0.5
"""So sure a candidate counts as there (chosen: more likely than not)."""

SKIRT_OCTAVES = 0.04
"""A candidate this close to a stronger one is its skirt, and is not fitted (chosen: two steps of
the grid)."""

IMAGE_OCTAVES = 0.08
"""An image's peak lies so close to the mode that makes it (chosen: near the crossover the division
by a response to which the other driver adds moves its top)."""

SAME_OCTAVES = 0.06
"""Candidates closer than this are one thing (chosen: the wider of two skirts of one peak)."""


@dataclass(frozen=True)
class JudgedCandidate:
    """A candidate with its confidence, and that of the other kind at the same frequency."""

    evidence: Evidence
    confidence: float
    other_kind: float = 0.0


@dataclass(frozen=True)
class TakeSearch:
    """What a take's search used and found, best first."""

    curves: LadderCurves
    judged: list[JudgedCandidate]


def search_take(
    curves: LadderCurves, response: LinearResponse, *, rate_constant_s: float
) -> TakeSearch:
    """Find what may resonate in one take.

    Parameters
    ----------
    curves, response : of the take.
    rate_constant_s : the sweep's L.
    """
    gathered = [
        evidence
        for candidate in candidates(curves)
        if (evidence := gather(curves, candidate)) is not None
    ]
    judged = [
        _judged(curves, response, evidence, rate_constant_s) for evidence in _worth_a_fit(gathered)
    ]
    return TakeSearch(curves, best_of_each_frequency(judged))


def _judged(
    curves: LadderCurves, response: LinearResponse, evidence: Evidence, rate_constant_s: float
) -> JudgedCandidate:
    """Fit a mode to a candidate, and say how sure it is."""
    from distsweep.analysis.resonance.confidence import confidence
    from distsweep.analysis.resonance.evidence_fit import with_fitted_mode

    done = with_fitted_mode(curves, response, evidence, rate_constant_s=rate_constant_s)
    return JudgedCandidate(done, confidence(done))


def _worth_a_fit(gathered: list[Evidence]) -> list[Evidence]:
    """Choose what is fitted."""
    radiated = [
        e
        for e in gathered
        if e.candidate.kind == "radiated" and e.heights_db[0] >= LEAST_RADIATED_DB
    ]
    excited = [
        e
        for e in gathered
        if e.candidate.kind == "excited"
        and e.heights_db[0] >= LEAST_EXCITED_DB
        and e.candidate.width_octaves <= WIDEST_EXCITED_OCTAVES
    ]

    def narrow_first(evidence: Evidence, height_db: float) -> float:
        return -height_db / (0.1 + evidence.candidate.width_octaves)

    # One high peak alone is mostly the image of something set off.
    radiated.sort(key=lambda e: narrow_first(e, max(0.0, e.bump_db) + sum(e.heights_db[1:2])))
    excited.sort(key=lambda e: narrow_first(e, sum(e.heights_db[:2])))
    return _apart(radiated)[:MOST_FITS] + _apart(excited)[:MOST_FITS]


def _apart(ranked: list[Evidence]) -> list[Evidence]:
    """Leave out what lies on the skirt of something stronger."""
    kept: list[Evidence] = []
    for evidence in ranked:
        at_hz = evidence.candidate.frequency_hz
        if all(octaves(at_hz, k.candidate.frequency_hz) > SKIRT_OCTAVES for k in kept):
            kept.append(evidence)
    return kept


def best_of_each_frequency(judged: list[JudgedCandidate]) -> list[JudgedCandidate]:
    """Keep the best candidate of each frequency, with the confidence of the other kind there.

    An image goes even where it is the surer one, if what it is an image of stands by itself.
    """
    kept: list[JudgedCandidate] = []
    for one in sorted(judged, key=lambda j: -j.confidence):
        near = [i for i, other in enumerate(kept) if is_double(one.evidence, other.evidence)]
        if not near:
            kept.append(one)
            continue
        best = kept[near[0]]
        if one.evidence.candidate.kind != best.evidence.candidate.kind:
            kept[near[0]] = replace(best, other_kind=max(best.other_kind, one.confidence))

    return _without_images(_without_images(kept, jointly=False), jointly=True)


def _without_images(judged: list[JudgedCandidate], *, jointly: bool) -> list[JudgedCandidate]:
    """Leave images out, least sure first, each judged by what is still there.

    One mode that explains two is likelier than two that each explain a part of one: images of a
    single mode go before those that several make ``jointly``.
    """
    left = list(judged)
    for one in reversed(judged):
        makers = [
            other.evidence
            for other in left
            if other.confidence >= one.confidence
            or (
                (other.confidence >= CALLED or other.evidence.lifted_pole is not None)
                and not is_image(other.evidence, [one.evidence])
            )
        ]
        groups = [makers] if jointly else [[maker] for maker in makers]
        if any(is_image(one.evidence, group) for group in groups):
            left.remove(one)
    return left


def is_double(evidence: Evidence, better: Evidence) -> bool:
    """Tell whether two candidates lie too close together to be two modes."""
    same = SAME_OCTAVES
    if better.mode is not None:
        bandwidth_octaves = 1.0 / (better.mode.q * math.log(2.0))
        same = max(same, SAME_BANDWIDTHS * min(bandwidth_octaves, WIDEST_BANDWIDTH_OCTAVES))
    return octaves(evidence.frequency_hz, better.frequency_hz) <= same


def is_image(evidence: Evidence, others: Sequence[Evidence]) -> bool:
    """Tell whether a candidate is but what modes of the other kind make elsewhere.

    A mode that is set off at f has a strong n-th harmonic, which lands on n·f: seen from there
    it is a lone peak. A mode that radiates at f leaves something of order n in the
    input-referred level at f/n, where the division is not exact.
    """
    makers = [other for other in others if other.candidate.kind != evidence.candidate.kind]
    if not makers:
        return False
    radiated = evidence.candidate.kind == "radiated"
    least_db = LEAST_RADIATED_DB if radiated else LEAST_EXCITED_DB
    shown = evidence.pole is not None and evidence.pole.explained >= OWN_EXPLAINED
    if not (radiated and (shown or evidence.lifted_pole is not None)):
        least_db = max(least_db, OWN_SHARE * evidence.heights_db[0])
    return _unexplained_db(evidence, makers) < least_db


def _unexplained_db(evidence: Evidence, makers: Sequence[Evidence]) -> float:
    """Height of the highest peak that none of the other kind makes; 0 if there is none.

    The n-th harmonic of what is played at f is heard at n·f: a peak there is that of a mode
    excited at f, or of one that radiates at n·f. The latter leaves no more than it lifts.
    """
    return max(
        (
            height
            for order, height in evidence.spike_db.items()
            if not any(_makes(maker, evidence, order) for maker in makers)
        ),
        default=0.0,
    )


def _makes(maker: Evidence, evidence: Evidence, order: int) -> bool:
    """Tell whether a mode makes the peak of an order that one of the other kind rests on."""
    top_hz = clearest(evidence.seen, order).excitation_hz
    if evidence.candidate.kind == "excited":
        image_hz = maker.frequency_hz / order
        lifted_db = max([maker.nearby_bump_db, *maker.heights_db[1:2]])
        if maker.lifted_pole is not None:
            lifted_db = max([lifted_db, *(maker.spike_db[n] for n in maker.lone_orders)])
        if evidence.spike_db[order] > lifted_db + LEFT_DB:
            return False
    else:
        image_hz, top_hz = order * maker.frequency_hz, order * top_hz
    near = min(octaves(hz, image_hz) for hz in (top_hz, evidence.frequency_hz))
    return near <= IMAGE_OCTAVES
