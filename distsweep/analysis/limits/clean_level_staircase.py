"""The highest clean levels of a staircase, at each of its tones."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from distsweep.analysis.limits.clean_level import find_clean_levels
from distsweep.analysis.limits.estimate import Estimate
from distsweep.results import CleanLevel, ToneLevels
from distsweep.units import FloatArray


def staircase_clean_levels(
    tones: Sequence[ToneLevels], from_lowest: Sequence[bool]
) -> list[CleanLevel]:
    """Return the clean levels of all tones, on the levels that all of them may have.

    Parameters
    ----------
    tones : with their intervals.
    from_lowest : of each tone, whether the lowest level may be held back already: then no level is
        known to keep within a limit of compression.
    """
    drives = np.unique(np.concatenate([tone.drive_dbfs for tone in tones]))

    def reliable(name: str) -> FloatArray:
        """Return a quantity where the level is reliable, shape ``(R, F)``; NaN elsewhere."""
        values = np.full((len(drives), len(tones)), np.nan)
        for f, tone in enumerate(tones):
            at = np.searchsorted(drives, tone.drive_dbfs)[tone.level_reliable]
            values[at, f] = getattr(tone, name)[tone.level_reliable]
        return values

    thd = Estimate.of_power(*(reliable(name) for name in ("thd_db", "thd_low_db", "thd_high_db")))
    # NaN where there is nothing to compare with.
    change, low, high = (
        reliable(name) for name in ("gain_change_db", "gain_change_low_db", "gain_change_high_db")
    )
    return find_clean_levels(
        np.array([tone.frequency_hz for tone in tones]),
        drives,
        reliable("level_db"),
        thd.zero_where(np.array([tone.orders_summed == 0 for tone in tones])),
        Estimate.of_level(-change, -high, -low).without_upper_end_where(np.array(from_lowest)),
    )
