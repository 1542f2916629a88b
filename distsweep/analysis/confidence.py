"""From evidence to a number that means something: of many with the same value, such a share
is real."""

from __future__ import annotations

import math

import numpy as np

from distsweep.analysis.evidence import Evidence

RADIATED_WEIGHTS = (-10.39, 8.56, 13.12, 4.21, -7.66)
EXCITED_WEIGHTS = (-25.65, 8.01, 13.22, 9.36, 6.32)
"""Weights of `features`. Logistic regression over 1181 simulated loudspeakers (seeds 1000 to 1149,
2000 to 2030 and 3000 to 3999 of `distsweep.rehearsal.population`), by
``tests/benchmarks/fit_confidence.py``; scores are quoted for other seeds."""


def features(evidence: Evidence) -> list[float]:
    """The numbers that the confidence rests on, each from 0 to 1, a constant first.

    For both kinds: Q, and the share of the curves' shape that a mode explains (radiated: in
    decades of what it leaves). Radiated: the height of the second highest spike, as one alone
    may be chance, and what stays of the highest in the input-referred level, unless two orders
    stand alone where they are played, as an equaliser may take a mode off the response. Excited:
    the height of the highest, less what a bump of the drive by an equaliser would give; and how
    many spikes of all rungs and orders there are.
    """
    heights = [*evidence.heights_db, 0.0]
    explained = 0.0 if evidence.pole is None else evidence.pole.explained
    q_octaves = 0.0 if evidence.mode is None else math.log2(evidence.mode.q / 4.0) / 2.0
    if evidence.candidate.kind == "radiated":
        shape = -math.log10(max(1e-3, 1.0 - explained)) / 2.5
        left = max(evidence.other_family_db, 0.0) / max(heights[0], 1e-3)
        left = min(left, 1.0) * (1.0 - min([*evidence.lone_db, 0.0, 0.0][1] / 6.0, 1.0))
        values = [q_octaves, shape, heights[1] / 6.0, left]
    else:
        more_db = max(h - evidence.raised_db[n] for n, h in evidence.spike_db.items())
        values = [q_octaves, explained, more_db / 12.0, (len(evidence.seen) - 1) / 3.0]
    return [1.0, *(float(np.clip(value, 0.0, 1.0)) for value in values)]


def confidence(evidence: Evidence) -> float:
    """Share of candidates with such evidence that are real, 0…1 (logistic regression)."""
    weights = RADIATED_WEIGHTS if evidence.candidate.kind == "radiated" else EXCITED_WEIGHTS
    total = sum(w * x for w, x in zip(weights, features(evidence), strict=True))
    return 1.0 / (1.0 + math.exp(-total))
