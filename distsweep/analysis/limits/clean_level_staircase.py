"""The highest clean levels of a staircase, at each of its tones."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from distsweep.analysis.limits.clean_level import find_clean_levels
from distsweep.analysis.noise.certainty import Estimate, NoisyPower, level_deviation_db
from distsweep.results import CleanLevel, ToneLevels
from distsweep.units import db_to_power


def staircase_clean_levels(
    tones: Sequence[ToneLevels], from_lowest: Sequence[bool]
) -> list[CleanLevel]:
    """Return the clean levels of all tones, on the levels that all of them may have.

    Of a staircase's noise the sum over the orders is kept: it is taken as all in one order, which
    gives the widest bounds.

    Parameters
    ----------
    from_lowest : of each tone, whether the lowest level may be held back already: then no level is
        known to keep within a limit of compression.
    """
    drives = np.unique(np.concatenate([tone.drive_dbfs for tone in tones]))
    shape = len(drives), len(tones)
    level, thd, floor, change, above = (np.full(shape, np.nan) for _ in range(5))
    reference = np.zeros(len(tones), dtype=int)
    for f, tone in enumerate(tones):
        reliable = tone.level_reliable
        at = np.searchsorted(drives, tone.drive_dbfs)[reliable]
        level[at, f] = tone.level_db[reliable]
        thd[at, f] = tone.thd_db[reliable]
        floor[at, f] = tone.thd_floor_db[reliable]
        change[at, f] = tone.gain_change_db[reliable]  # NaN where there is nothing to compare with
        above[at, f] = (tone.level_db - tone.level_floor_db)[reliable]
        if tone.reference_drive_dbfs is not None:
            reference[f] = np.searchsorted(drives, tone.reference_drive_dbfs)
    moved = level_deviation_db(above)
    columns = np.arange(len(tones))
    deviation = np.hypot(moved, moved[reference, columns])
    deviation[reference, columns] = 0.0  # its gain is what the others are compared with
    distortion = NoisyPower.of_orders(
        db_to_power(thd)[None], db_to_power(floor)[None], 2.0 * db_to_power(-above)
    )
    return find_clean_levels(
        np.array([tone.frequency_hz for tone in tones]),
        drives,
        level,
        distortion.estimate().zero_where(np.array([tone.orders_summed == 0 for tone in tones])),
        Estimate.gaussian(-change, deviation).without_upper_end_where(np.array(from_lowest)),
    )
