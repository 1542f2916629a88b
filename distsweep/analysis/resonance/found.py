"""A resonance as it is found: its numbers, and the reasons that agree with it or speak against."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from distsweep.analysis.resonance.causes import OfferedCause
from distsweep.analysis.resonance.decay import FoundDecay
from distsweep.analysis.resonance.evidence import PRESENT_BUMP_DB, Evidence
from distsweep.analysis.resonance.growth import Growth
from distsweep.analysis.resonance.positions import Positions
from distsweep.analysis.resonance.steady import SteadyLevel
from distsweep.reason import Reason
from distsweep.results import SeenIn

ABSENT_BUMP_DB = 1.0
"""A smaller peak of the fundamental is none; up to PRESENT_BUMP_DB it is too small to tell (chosen:
a response ripples by ±0.5 dB in any room)."""


@dataclass(frozen=True)
class ResonanceFacts:
    """What was measured of a resonance.

    Attributes
    ----------
    position : of the take that shows it, the leading one where that does.
    evidence : its peaks and the fitted mode, in that take.
    confidence, other_kind : of many with the same value, such a share is real; and the confidence
        that the other kind would have.
    levels_showing, levels_clear : how many rungs show it, and how many are clear enough to.
    growth : of one order's peak with level.
    decay : where it rings, and how long.
    positions : how strongly each position shows it.
    own_peaks : every peak of the take at ``position``.
    steady : what a steady tone would show of an excited one; None where no mode was fitted.
    """

    position: str
    evidence: Evidence
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
    def kind(self) -> str:
        """Radiated or excited."""
        return self.evidence.candidate.kind

    @property
    def q(self) -> float | None:
        """Q of the fitted mode; None where none could be fitted."""
        return None if self.evidence.mode is None else self.evidence.mode.q

    @property
    def seen_in(self) -> list[SeenIn]:
        """The peaks of the take that leads, and each order's clearest at the other positions."""
        elsewhere = [seen for seen in self.positions.seen if seen.position != self.position]
        return [*self.own_peaks, *elsewhere]

    @property
    def fundamental_bump(self) -> str:
        """Whether the fundamental has a narrow peak at the resonance's frequency."""
        bump_db = self.evidence.bump_db
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
