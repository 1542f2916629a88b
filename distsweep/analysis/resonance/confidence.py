"""From a likelihood ratio to a number that means something: of many with the same value, such a
share is real."""

from __future__ import annotations

import math

from distsweep.analysis.resonance.mode import FoundMode

WEIGHTS = {"excited": (-3.15, 2.21), "radiated": (-4.78, 1.42), "lifted": (-28.78, 6.88)}
"""Of each kind a constant and the weight of `margin`. Logistic regression over what is found of 50
loudspeakers of the rehearsal (seeds 52150 to 52199) and of the unlike simulator's, in rooms, 72
with modes and 20 without (62060 to 62140, 70000 to 70019), by
``tests/benchmarks/fit_confidence.py``; scores are quoted for other seeds. Of modes that lift but
do not show in the response there were only eight."""

MOST_IN_A_ROOM, MOST_UNCONFIRMED = 0.49, 0.09
"""Where a room could make the same, a mode is never called likelier than not (chosen: at one place
in a room nothing tells them apart); and where other positions do not confirm it, hardly anything
is left (simulated: of 148 in rooms 13 were real)."""


def margin(mode: FoundMode) -> float:
    """Return the logarithm of `FoundMode.strength`, which is at least 1 for that.

    What a model leaves out grows with the evidence: twice as much of it is one step surer.
    """
    return math.log(max(mode.strength, 1.0))


def kind_of(mode: FoundMode) -> str:
    """Return the kind that a mode's numbers are kept under."""
    return mode.kind if mode.in_response else "lifted"


def confidence(mode: FoundMode) -> float:
    """Return the share of modes with such evidence that are real, 0…1 (logistic regression)."""
    constant, weight = WEIGHTS[kind_of(mode)]
    value = 1.0 / (1.0 + math.exp(-(constant + weight * margin(mode))))
    if mode.direct:
        return value
    return min(value, MOST_IN_A_ROOM if mode.takes == 1 else MOST_UNCONFIRMED)
