"""From evidence to a number that means something: of many with the same value, such a share
is real."""

from __future__ import annotations

import math

import numpy as np

from distsweep.analysis.resonance.candidates import octaves
from distsweep.analysis.resonance.evidence import Evidence
from distsweep.analysis.resonance.pole import HIGHEST_Q, LOWEST_Q

RADIATED_WEIGHTS = (-7.23, 5.03, 9.05, 4.06, -0.18, -2.54, -4.25)
EXCITED_WEIGHTS = (-19.41, 5.19, 9.52, 4.45, 8.11)
"""Weights of `features`. Logistic regression over 1370 simulated loudspeakers (seeds 20000 to 20366
and 30000 to 31002 of `distsweep.rehearsal.population`), by
``tests/benchmarks/fit_confidence.py``; scores are quoted for other seeds."""


def features(evidence: Evidence) -> list[float]:
    """The numbers that the confidence rests on, each from 0 to 1, a constant first.

    For both kinds: Q; the share of the curves' shape that a mode explains (radiated: in decades
    of what it leaves); and how many peaks of all rungs and orders there are. Radiated: the height
    of the second highest peak, as one alone may be chance; what is left of the highest in the
    input-referred level, unless two orders that stand alone where they are played agree on a mode,
    as an equaliser may take it off the response; and how far the mode is from where the peaks
    led. Excited: the height of the highest, less what a boost of the drive by an equaliser would
    give.
    """
    heights = [*evidence.heights_db, 0.0]
    mode = evidence.mode
    q, explained = (LOWEST_Q, 0.0) if mode is None else (mode.q, mode.explained)
    q_octaves = math.log2(q / LOWEST_Q) / 2.0
    spikes = len(evidence.seen) - 1
    if evidence.candidate.kind == "radiated":
        if q >= 0.99 * HIGHEST_Q:
            explained = 0.0  # the search ended at its edge: a ripple, or what it cannot resolve
        shape = -math.log10(max(1e-3, 1.0 - explained)) / 2.5
        left = max(evidence.other_family_db, 0.0) / max(heights[0], 1e-3)
        if evidence.lifted_pole is not None:
            left = 0.0
        off_octaves = octaves(evidence.frequency_hz, evidence.candidate.frequency_hz)
        values = [q_octaves, shape, spikes / 8.0, heights[1] / 6.0, left, off_octaves / 0.1]
    else:
        more_db = max(h - evidence.raised_db[n] for n, h in evidence.spike_db.items())
        values = [q_octaves, explained, spikes / 3.0, more_db / 12.0]
    return [1.0, *(float(np.clip(value, 0.0, 1.0)) for value in values)]


def confidence(evidence: Evidence) -> float:
    """Share of candidates with such evidence that are real, 0…1 (logistic regression)."""
    weights = RADIATED_WEIGHTS if evidence.candidate.kind == "radiated" else EXCITED_WEIGHTS
    total = sum(w * x for w, x in zip(weights, features(evidence), strict=True))
    return 1.0 / (1.0 + math.exp(-total))
