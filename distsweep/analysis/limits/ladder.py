"""What limits a ladder: its bands' limiters, clean levels, and where rattles set in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from distsweep.analysis.limits.band_limiters import find_limiters
from distsweep.analysis.limits.clean_level_ladder import ladder_clean_levels
from distsweep.analysis.limits.high_orders import onsets_of_ladder
from distsweep.analysis.limits.limiter_kind import FoundLimiter
from distsweep.results import CleanLevel, Compression, HighOrderOnset, Rung
from distsweep.units import FloatArray


@dataclass(frozen=True)
class LadderLimits:
    """A ladder's limiters (none where nothing can be said), clean levels and high-order onsets."""

    limiters: list[FoundLimiter]
    clean_level: list[CleanLevel]
    clean_level_third_octave: list[CleanLevel]
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
        return LadderLimits([], [], [], [])
    limiters = find_limiters(frequency_hz, rungs, compression, kept)
    return LadderLimits(
        limiters,
        *ladder_clean_levels(frequency_hz, rungs, compression, kept, limiters),
        onsets_of_ladder(frequency_hz, rungs, kept),
    )
