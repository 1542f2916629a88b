"""From evidence to a number that means something: of many with the same value, such a share
is real."""

from __future__ import annotations

import math

import numpy as np

from distsweep.analysis.evidence import Evidence

RADIATED_WEIGHTS = (-5.07, 0.49, 1.65, 3.61, 2.67, 1.30, -0.99)
EXCITED_WEIGHTS = (-10.48, 2.21, 2.24, 4.69, 4.98, 1.46, 0.20)
"""Placeholders."""


def features(evidence: Evidence) -> list[float]:
    """The numbers that the confidence rests on, each made about 0…1, a constant first.

    For both kinds: the height of the highest and the second highest spike, Q, and the share of
    the curves' shape that a mode explains. Radiated: the fundamental's bump, and what stays of
    the spike in the input-referred level. Excited: the fundamental's bump, which a mode that is
    only set off does not make, and how many of the orders asked show it.
    """
    heights = [*evidence.heights_db, 0.0]
    pole = evidence.pole
    q_octaves = shape = 0.0
    if pole is not None:
        q_octaves = float(np.clip(math.log2(pole.q / 4.0) / 2.0, 0.0, 1.0))
        shape = float(np.clip(1.0 - pole.misfit_db / max(pole.without_db, 1e-3), 0.0, 1.0))
    bump_db = evidence.bump_db if math.isfinite(evidence.bump_db) else 0.0
    common = [
        1.0,
        min(heights[0] / 12.0, 1.0),
        min(heights[1] / 6.0, 1.0),
        q_octaves,
        shape,
    ]
    if evidence.candidate.kind == "radiated":
        left = float(np.clip(evidence.other_family_db / max(heights[0], 1e-3), 0.0, 1.0))
        return [*common, float(np.clip(bump_db / 6.0, 0.0, 1.0)), left]
    asked = max(1, len(evidence.asked))
    return [*common, float(np.clip(bump_db / 6.0, 0.0, 1.0)), len(evidence.spike_db) / asked]


def confidence(evidence: Evidence) -> float:
    """Share of candidates with such evidence that are real, 0…1 (logistic regression)."""
    weights = RADIATED_WEIGHTS if evidence.candidate.kind == "radiated" else EXCITED_WEIGHTS
    total = sum(w * x for w, x in zip(weights, features(evidence), strict=True))
    return 1.0 / (1.0 + math.exp(-total))
