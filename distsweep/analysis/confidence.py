"""From evidence to a number that means something: of many with the same value, such a share
is real."""

from __future__ import annotations

import math

import numpy as np

from distsweep.analysis.evidence import Evidence

RADIATED_WEIGHTS = (-6.51, 1.15, 3.5, 3.52, 2.09, 2.2, -1.52)
EXCITED_WEIGHTS = (-11.01, 1.92, 3.84, 5.1, 4.62, 0.63, 0.5)
"""Weights of `features`. Logistic regression over 150 simulated loudspeakers (seeds 1000 to 1149
of `distsweep.rehearsal.population`), by ``tests/benchmarks/fit_confidence.py``; scores are quoted
for other seeds."""


def features(evidence: Evidence) -> list[float]:
    """The numbers that the confidence rests on, each from 0 to 1, a constant first.

    For both kinds: the height of the highest and the second highest spike, Q, and the share of
    the curves' shape that a mode explains. Radiated: the fundamental's bump, and what stays of
    the spike in the input-referred level. Excited: the highest spike counts less what a bump of
    the drive by an equaliser would give, n times the fundamental's; and how many of the orders
    asked show it.
    """
    heights = [*evidence.heights_db, 0.0]
    pole = evidence.pole
    q_octaves = shape = 0.0
    if pole is not None:
        q_octaves = math.log2(pole.q / 4.0) / 2.0
        shape = pole.explained
    bump_db = evidence.bump_db if math.isfinite(evidence.bump_db) else 0.0
    if evidence.candidate.kind == "radiated":
        left = max(evidence.other_family_db, 0.0) / max(heights[0], 1e-3)
        lift_db = 0.0 if pole is None else pole.lift_db
        special = [heights[0] / 12.0, lift_db / 6.0, left]
    else:
        more_db = max(h - n * max(bump_db, 0.0) for n, h in evidence.spike_db.items())
        special = [
            more_db / 12.0,
            len(evidence.spike_db) / max(1, len(evidence.asked)),
            (len(evidence.seen) - 1) / 3.0,
        ]
    values = [heights[1] / 6.0, q_octaves, shape, *special]
    return [1.0, *(float(np.clip(value, 0.0, 1.0)) for value in values)]


def confidence(evidence: Evidence) -> float:
    """Share of candidates with such evidence that are real, 0…1 (logistic regression)."""
    weights = RADIATED_WEIGHTS if evidence.candidate.kind == "radiated" else EXCITED_WEIGHTS
    total = sum(w * x for w, x in zip(weights, features(evidence), strict=True))
    return 1.0 / (1.0 + math.exp(-total))
