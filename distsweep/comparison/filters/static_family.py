"""Static curves that fit a limiter's rungs: a family a band, thresholds free at each frequency.

Between rungs of 6 dB a limiter's knee is not seen, and a curve that runs smoothly from rung to rung
misses it by up to 1.5 dB. A limiter in a band has one ratio and one knee; what its detector hears
differs over frequency (an equaliser or a crossover stands before it), and so does the drive at
which it sets in. Every pair of ratio and knee that fits the band's rungs is kept.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.analysis.limits.static_curve import knee_shape_db
from distsweep.units import FloatArray, IntArray

RATIOS = (1.5, 1.75, 2.0, 2.33, 2.67, 3.0, 3.5, 4.0, 4.67, 5.33, 6.0, 7.0, 8.0, 10.0, 12.0, 16.0,
          24.0, 48.0, np.inf)  # fmt: skip
KNEES_DB = (0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 16.0)
"""Ratios and knees that are tried (chosen: between neighbours the output differs by less than
0.1 dB within 6 dB of the threshold)."""

THRESHOLD_STEP_DB = 0.1
"""Thresholds are tried so far apart (chosen: the output is then right within 0.05 dB)."""

RUNG_DB = 0.05
"""What a static curve may miss of a rung's gain beside noise (chosen: what a mildly curved
loudspeaker adds behind a limiter)."""

POSSIBLE_DB = 0.03
"""A pair is possible while it misses the band's rungs by no more than this beyond the best pair,
root mean square (chosen: half of `RUNG_DB`, as a band has many frequencies)."""

LIKELY_DB = 0.015
"""What a pair misses beyond the best counts against it in the mean by this, one standard deviation
(chosen: half of what is possible)."""


@dataclass(frozen=True)
class StaticFamily:
    """Pairs of ratio and knee that are possible, ``(P,)``, with thresholds, ``(P, F)``."""

    slopes: FloatArray
    knees_db: FloatArray
    thresholds_dbfs: FloatArray
    weights: FloatArray

    def change_db(self, drive_dbfs: FloatArray) -> FloatArray:
        """Return the gain change of each pair; drives of ``(…, F)`` give ``(P, …, F)``."""
        spare = (1,) * (np.ndim(drive_dbfs) - 1)
        shape = (len(self.slopes), *spare)
        bend = knee_shape_db(
            drive_dbfs[None],
            self.thresholds_dbfs.reshape(*shape, -1),
            self.knees_db.reshape(*shape, 1),
        )
        return self.slopes.reshape(*shape, 1) * bend

    def thresholds(self) -> FloatArray:
        """Return the mean, the least and the largest threshold at each frequency, ``(3, F)``."""
        own = self.thresholds_dbfs
        half = THRESHOLD_STEP_DB / 2.0
        return np.array(
            [self.weights @ own, np.min(own, axis=0) - half, np.max(own, axis=0) + half]
        )


def fit_family(
    drives_dbfs: FloatArray, change_db: FloatArray, sigma_db: FloatArray
) -> StaticFamily:
    """Fit a band's gain changes, ``(R, F)`` re a rung that nothing holds back.

    ``sigma_db`` is what noise leaves uncertain of them, ``(R, F)``.
    """
    thresholds = np.arange(drives_dbfs[0] - 3.0, drives_dbfs[-1] + 6.0, THRESHOLD_STEP_DB)
    weight = 1.0 / (sigma_db**2 + RUNG_DB**2)
    pairs = [(1.0 / ratio - 1.0, knee) for ratio in RATIOS for knee in KNEES_DB]
    misfits, places = [], []
    for slope, knee in pairs:
        model = slope * knee_shape_db(drives_dbfs[:, None], thresholds, knee)  # (R, T)
        # Σ w(c − m)² over rungs for every frequency and threshold, multiplied out.
        sum_of = (
            np.sum(weight * change_db**2, axis=0)[:, None]
            - 2.0 * (weight * change_db).T @ model
            + weight.T @ model**2
        )
        at = np.argmin(sum_of, axis=1)
        places.append(thresholds[at])
        misfits.append(np.maximum(sum_of[np.arange(len(at)), at], 0.0))
    # The median over frequency: narrow resonances spoil a few.
    whole = np.median(np.array(misfits) / np.sum(weight, axis=0), axis=1)
    limit = np.sqrt(np.min(whole)) + POSSIBLE_DB
    kept: IntArray = np.flatnonzero(np.sqrt(whole) <= limit)
    weights = np.exp(-0.5 * (whole[kept] - np.min(whole)) / LIKELY_DB**2)
    return StaticFamily(
        slopes=np.array([pairs[i][0] for i in kept]),
        knees_db=np.array([pairs[i][1] for i in kept]),
        thresholds_dbfs=np.array([places[i] for i in kept]),
        weights=weights / np.sum(weights),
    )
