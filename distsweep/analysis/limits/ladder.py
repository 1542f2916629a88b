"""What limits a ladder: its bands' limiters, and where rattles set in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from distsweep.analysis.limits.band_limiters import find_limiters
from distsweep.analysis.limits.high_orders import onsets_of_ladder
from distsweep.analysis.limits.limiter_kind import FoundLimiter
from distsweep.results import Compression, HighOrderOnset, Rung
from distsweep.units import FloatArray


@dataclass(frozen=True)
class LadderLimits:
    """A ladder's limiters (none where nothing can be said), and high-order onsets."""

    limiters: list[FoundLimiter]
    high_order_onset: list[HighOrderOnset]


def find_ladder_limits(
    frequency_hz: FloatArray, rungs: Sequence[Rung], compression: Compression
) -> LadderLimits:
    """Describe what limits a ladder.

    Parameters
    ----------
    frequency_hz : shape ``(F,)``.
    rungs : rising in drive; those that clipped in the recording take no part.
    """
    kept = [i for i, rung in enumerate(rungs) if not rung.clipped]
    if not kept:
        return LadderLimits([], [])
    return LadderLimits(
        find_limiters(frequency_hz, rungs, compression, kept),
        onsets_of_ladder(frequency_hz, rungs, kept),
    )
