"""Which candidates of all takes are listed as resonances, and how sure each is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.noise.certainty import CLEAR_DB
from distsweep.analysis.resonance.candidates import highest_near, tolerance_octaves
from distsweep.analysis.resonance.curves import LadderCurves
from distsweep.analysis.resonance.evidence import Evidence
from distsweep.analysis.resonance.positions import at_positions
from distsweep.analysis.resonance.take_search import (
    JudgedCandidate,
    TakeSearch,
    is_double,
    is_image,
)

LEAST_CONFIDENCE = 0.1
"""Less is not listed (chosen: nineteen of twenty such candidates are nothing)."""

MOST_LISTED = 12
"""More are not listed (chosen: nobody reads on, and a take shows five of a kind at most)."""

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

KIND_OPEN_FACTOR = 0.5
"""For a lone order that could as well be lifted where it lands, by a mode that an equaliser takes
off the response (simulated: none of a handful was set off)."""

SHOWN_SHARE = 0.5
"""A rung shows a peak that has this part of the strongest's height in the same order
(chosen: noise and the growth of a peak from rung to rung change heights by less than half)."""


@dataclass(frozen=True)
class ListedCandidate:
    """A candidate that is listed.

    Attributes
    ----------
    search : of the take that it was found in.
    judged : the candidate.
    confidence : its own, less what other positions and rungs take off it.
    """

    search: TakeSearch
    judged: JudgedCandidate
    confidence: float


def listed(searches: Sequence[TakeSearch]) -> list[ListedCandidate]:
    """Choose what to list, surest first: the leading take's candidates, and what only others show.

    ``searches`` begins with the leading take.
    """
    enough = [
        ListedCandidate(search, judged, confidence)
        for search in searches
        for judged in search.judged
        if (confidence := _confidence(searches, search, judged)) >= LEAST_CONFIDENCE
    ]
    ranked: list[ListedCandidate] = []
    for item in sorted(enough, key=lambda item: -item.confidence):
        evidence = item.judged.evidence
        before = [other.judged.evidence for other in ranked]
        if not is_image(evidence, before) and not any(is_double(evidence, b) for b in before):
            ranked.append(item)
    return ranked[:MOST_LISTED]


def _confidence(
    searches: Sequence[TakeSearch], search: TakeSearch, judged: JudgedCandidate
) -> float:
    """Return a candidate's confidence, less what other positions and rungs take off it."""
    evidence = judged.evidence
    value = judged.confidence * _persistence(search.curves, evidence)
    if evidence.kind_open:
        value *= KIND_OPEN_FACTOR
    if search is not searches[0]:
        leading = at_positions(searches[:1], evidence).at[0]
        value *= ELSEWHERE_FACTOR if leading.state == "present" else ELSEWHERE_ONLY_FACTOR
    elif _nowhere_else(searches, evidence):
        value *= NOWHERE_ELSE_FACTOR
    return value


def _nowhere_else(searches: Sequence[TakeSearch], evidence: Evidence) -> bool:
    """Tell whether a radiated mode is missing at every other position, of several."""
    others = searches[1:]
    if evidence.candidate.kind != "radiated" or len(others) < 2:
        return False
    return all(at.state == "missing" for at in at_positions(others, evidence).at)


def _persistence(curves: LadderCurves, evidence: Evidence) -> float:
    """1, or less where one rung shows what others should have."""
    showing, clear = rungs_that_show(curves, evidence)
    return ONE_RUNG_SHOWS_FACTOR if clear >= 2 and showing == 1 else 1.0


def rungs_that_show(curves: LadderCurves, evidence: Evidence) -> tuple[int, int]:
    """Return how many rungs show a candidate, and how many could: that one and every clear one.

    A rung shows it that has a peak, or one half as high as the strongest in the same order.
    """
    showing = {seen.row for seen in evidence.seen}
    top = evidence.strongest
    family = curves.absolute if evidence.candidate.kind == "radiated" else curves.input_referred
    place, tolerance = round(curves.place(top.excitation_hz)), tolerance_octaves(evidence.candidate)
    clear = np.flatnonzero(curves.above_floor_db[:, top.column, place] >= CLEAR_DB)
    for row in clear:
        prominence_db = family.prominence_db[row, top.column]
        height_db, _ = highest_near(curves, prominence_db, top.excitation_hz, tolerance)
        if height_db >= SHOWN_SHARE * top.prominence_db:
            showing.add(int(row))
    return len(showing), len(showing | {int(row) for row in clear})
