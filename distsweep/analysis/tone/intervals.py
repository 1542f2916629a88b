"""What noise leaves known of a tone's levels: values freed of it, with their 95 % intervals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from distsweep.analysis.noise.interval import NoisySum, is_reliable
from distsweep.analysis.tone.bursts import ToneBursts
from distsweep.results import ToneLevels
from distsweep.units import IntArray, db_to_percent


def freed_of_noise(
    levels: ToneLevels, tone: ToneBursts, up: IntArray, offset_db: float
) -> ToneLevels:
    """Take the noise's expected power off a tone's level, harmonics and THD.

    Where the noise is not known the values stay as measured, and none is reliable.

    Parameters
    ----------
    levels : with the noise in them.
    up : the bursts on the way up that they are of, shape ``(L,)``.
    offset_db : level of a 0 dBFS sine in the take's unit.
    """
    powers = tone.harmonics[up].T ** 2
    noises = np.broadcast_to(tone.floors[:, None] ** 2, powers.shape)
    degrees = np.full(powers.shape, tone.degrees)
    level = NoisySum.single(powers[0], noises[0], degrees[0], np.zeros(len(up))).interval()
    harmonics = NoisySum.ratios(powers, noises, degrees, np.zeros((len(powers), 1)))
    curves, thd = harmonics.interval(), harmonics.summed().interval()
    known = np.isfinite(level[2])
    level_db = np.where(known, level[0] + offset_db, levels.level_db)
    thd_db = np.where(known, thd[0], levels.thd_db)
    usable = tone.usable[up]
    return replace(
        levels,
        level_db=level_db,
        level_low_db=level[1] + offset_db,
        level_high_db=level[2] + offset_db,
        level_reliable=is_reliable(level[1], level[2]) & usable,
        thd_db=thd_db,
        thd_percent=np.asarray(db_to_percent(thd_db)),
        thd_low_db=thd[1],
        thd_high_db=thd[2],
        thd_reliable=is_reliable(thd[1], thd[2]) & usable,
        harmonics={
            n: np.where(known, curves[0][n - 2], measured_db)
            for n, measured_db in levels.harmonics.items()
        },
        harmonics_low_db={n: curves[1][n - 2] for n in levels.harmonics},
        harmonics_high_db={n: curves[2][n - 2] for n in levels.harmonics},
    )
