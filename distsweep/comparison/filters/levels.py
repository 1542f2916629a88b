"""The listening levels at which filters are tried, where none are asked for."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from distsweep.comparison.filters.ladder import MeasuredLadder
from distsweep.errors import InputError
from distsweep.results import BAND, Take
from distsweep.units import FloatArray, db_to_power, power_to_db

USUAL_SPL_DB = 85.0
"""A listening level where the session names none (chosen: cinemas and studios are set to about
that, and most loudspeakers are heard at less)."""


def levels_for(
    take: Take, ladder: MeasuredLadder, levels_spl: Sequence[float] | None
) -> list[float]:
    """Return levels, rising: those asked for, those stated in the results, or one usual one.

    Raises
    ------
    InputError
        There is none, or a level is no finite number.
    """
    if levels_spl is not None:
        if not len(levels_spl):
            raise InputError("levels_spl holds no level: give one or more, or None")
        for one in levels_spl:
            if not math.isfinite(one):
                raise InputError(f"levels_spl holds {one!r}: levels are numbers")
        return sorted(float(one) for one in levels_spl)
    stated = sorted({one.spl_db for one in take.at_spl if one.meaning == BAND})
    if stated:
        return stated
    means_db = band_means_db(ladder)
    known = means_db[np.isfinite(means_db)]
    if take.level_unit == "dB SPL" and len(known) and known[0] <= USUAL_SPL_DB <= known[-1]:
        return [USUAL_SPL_DB]
    return [float(round(known[len(known) // 2], 1))] if len(known) else []


def band_means_db(ladder: MeasuredLadder) -> FloatArray:
    """Return the power mean of each rung's fundamental over the level band, ``(R,)``."""
    if not ladder.band.any():
        return np.full(len(ladder.played.drives_dbfs), np.nan)
    power = db_to_power(ladder.played.level.values[:, ladder.band])
    return np.asarray(power_to_db(np.mean(power, axis=1)))
