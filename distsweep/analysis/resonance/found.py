"""A resonance as it is found: its numbers, and the reasons that agree with it or speak against."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from distsweep.analysis.resonance.causes import OfferedCause
from distsweep.analysis.resonance.decay import FoundDecay
from distsweep.analysis.resonance.growth import Growth
from distsweep.analysis.resonance.heights import Heights
from distsweep.analysis.resonance.mode import FoundMode
from distsweep.analysis.resonance.positions import Positions
from distsweep.analysis.resonance.steady import SteadyLevel
from distsweep.reason import Reason
from distsweep.results import SeenIn

ABSENT_BUMP_DB, PRESENT_BUMP_DB = 1.0, 3.0
"""A smaller peak of the fundamental is none, a larger one is surely one (chosen: a response ripples
by ±0.5 dB anywhere; the ripple of rooms and crossovers is as large as 3 dB)."""


@dataclass(frozen=True)
class ResonanceFacts:
    """What was measured of a resonance.

    Attributes
    ----------
    heights : of its peaks in the take that shows it, the leading one where that does.
    confidence, other_kind : of many with the same value, such a share is real; and the confidence
        that the other kind would have.
    levels_showing, levels_clear : how many rungs show it, and how many are clear enough to.
    growth : of one order's peak with level.
    decay : where it rings, and how long.
    positions : how strongly each position shows it.
    own_peaks : every peak of that take.
    steady : what a steady tone would show of an excited one; None where no mode was fitted.
    """

    heights: Heights
    confidence: float
    other_kind: float
    levels_showing: int
    levels_clear: int
    growth: Growth
    decay: FoundDecay
    positions: Positions
    own_peaks: Sequence[SeenIn]
    steady: SteadyLevel | None = None

    @property
    def mode(self) -> FoundMode:
        """The mode, as all takes together show it."""
        return self.heights.mode

    @property
    def position(self) -> str:
        """Of the take that shows it."""
        return self.heights.curves.position

    @property
    def kind(self) -> str:
        """Radiated or excited."""
        return self.mode.kind

    @property
    def seen_in(self) -> list[SeenIn]:
        """The peaks of the take that shows it, and each order's clearest at other positions."""
        elsewhere = [seen for seen in self.positions.seen if seen.position != self.position]
        return [*self.own_peaks, *elsewhere]

    @property
    def fundamental_bump(self) -> str:
        """Whether the fundamental has a narrow peak at the resonance's frequency."""
        bump_db = self.heights.bump_db
        if not math.isfinite(bump_db):
            return "too_small_to_tell"
        if bump_db >= PRESENT_BUMP_DB:
            return "present"
        return "absent" if bump_db < ABSENT_BUMP_DB else "too_small_to_tell"


@dataclass(frozen=True)
class FoundResonance:
    """A resonance with what it may come from, and what is to be said of it.

    Attributes
    ----------
    facts : what was measured.
    causes : predicted frequencies close by, the best match first.
    agrees_with, speaks_against : reasons, one sentence each.
    summary : reasons that make one paragraph.
    """

    facts: ResonanceFacts
    causes: tuple[OfferedCause, ...]
    agrees_with: tuple[Reason, ...]
    speaks_against: tuple[Reason, ...]
    summary: tuple[Reason, ...]
