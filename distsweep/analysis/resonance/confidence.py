"""From a likelihood ratio to a number that means something: of many with the same value, such a
share is real."""

from __future__ import annotations

import math

from distsweep.analysis.resonance.mode import FoundMode

WEIGHTS = {"excited": (-2.2, 1.96), "radiated": (-6.82, 2.13), "lifted": (-15.25, 3.72)}
"""Of each kind a constant and the weight of `margin`. Logistic regression over what is found of the
unlike simulator's loudspeakers, in rooms, 147 with modes and 120 without (odd seeds of 60000 to
62133, all of 70000 to 71099), and of 175 of the rehearsal's (odd seeds of 50000 to 52199), by
``tests/benchmarks/fit_confidence.py``; scores are quoted for other seeds. Of modes that lift but
do not show in the response there were only 30."""

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
