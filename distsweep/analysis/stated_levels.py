"""THD and harmonics at the levels that a session asks for."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from distsweep.reason import Reason
from distsweep.results.at_spl import BAND, EACH_FREQUENCY, AtSpl
from distsweep.results.ladder import Rung
from distsweep.results.stated_level import state_level
from distsweep.results.take import Take
from distsweep.units import FloatArray

LEAST_SHARE = 0.25
"""Share of the grid at which a level must have been played (chosen: less of it, as of a near field
that is louder by far, are scraps at the ends of the band)."""


def at_stated_levels(
    frequency_hz: FloatArray, rungs: Sequence[Rung], levels_spl_db: Sequence[float]
) -> list[AtSpl]:
    """Return each level in both meanings, where a calibrated ladder played enough of it."""
    found = [
        state_level(frequency_hz, rungs, level, meaning)
        for level in levels_spl_db
        for meaning in (BAND, EACH_FREQUENCY)
    ]
    return [one for one in found if np.mean(np.isfinite(one.drive_dbfs)) >= LEAST_SHARE]


def levels_not_played(takes: Sequence[Take], levels_spl_db: Sequence[float]) -> list[Reason]:
    """Return what there is to say of levels that no take played at enough frequencies."""
    played = {one.spl_db for take in takes for one in take.at_spl}
    missing = [level for level in levels_spl_db if level not in played]
    if not missing:
        return []
    return [Reason("level_not_played", levels_spl_db=missing, least_share=LEAST_SHARE)]
