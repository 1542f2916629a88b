"""The hard clip's Fourier coefficients, and how well they explain what was measured."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.units import FloatArray, db_to_ratio, ratio_to_db


def clipped_sine(ratio: FloatArray | float, *, order: int) -> FloatArray:
    """Return the sine coefficients of a clipped sine, re its unclipped amplitude.

    Parameters
    ----------
    ratio : clipping level over amplitude, r = c/A; from 1 on nothing is clipped.
    order : highest harmonic.

    Returns
    -------
    b_n for n = 1…order along the first axis; even ones are zero. With φ = asin r:
    b₁ = (2/π)(φ + sin(2φ)/2), b_n = (2/(πn))·[sin((n−1)φ)/(n−1) + sin((n+1)φ)/(n+1)].
    """
    angle = np.arcsin(np.clip(ratio, 0.0, 1.0))
    coefficients = np.zeros((order, *np.shape(angle)))
    coefficients[0] = 2.0 / np.pi * (angle + np.sin(2.0 * angle) / 2.0)
    for n in range(3, order + 1, 2):
        coefficients[n - 1] = (2.0 / (np.pi * n)) * (
            np.sin((n - 1) * angle) / (n - 1) + np.sin((n + 1) * angle) / (n + 1)
        )
    return coefficients


LOWEST_CLIP_DB, CLIP_STEP_DB = -30.0, 0.02
"""Clipping levels that are tried, re the highest drive, and their steps (chosen: down to where
hardly a sine is left, as finely as a loudspeaker repeats itself)."""

AT_WORK = 1.05
"""Drive over clipping level from which the harmonics are compared (chosen: 0.4 dB into the clip
its harmonics outweigh those of anything milder)."""

CURVATURES = (1e-4, 0.9, 400)
"""Share that a cubic characteristic takes of the fundamental at the highest drive: least, most, and
how many are tried (chosen: from far too little to hear to nearly all)."""


@dataclass(frozen=True)
class ClipFit:
    """A hard clip fitted to gain changes.

    Attributes
    ----------
    clip_dbfs : drive from which on the wave is clipped.
    rms_db : what it misses of the gain change.
    curved_rms_db : what the best cubic characteristic misses.
    thd_db : THD that the clip predicts at each drive; −inf where nothing is clipped.
    thd_rms_db : what it misses of the measured odd distortion where the clip is at work;
        NaN where it is nowhere.
    """

    clip_dbfs: float
    rms_db: float
    curved_rms_db: float
    thd_db: FloatArray
    thd_rms_db: float


def fit_clipping(
    drive_dbfs: FloatArray, gain_change_db: FloatArray, odd_db: FloatArray, *, order: int
) -> ClipFit:
    """Fit the clipping level to gain changes, and compare the odd harmonics with it.

    Parameters
    ----------
    drive_dbfs, gain_change_db, odd_db : shape ``(R,)``; ``odd_db`` is the root of the summed
        squares of harmonics 3, 5 … up to ``order``, re the fundamental.
    """
    drive = db_to_ratio(drive_dbfs)
    clips = drive.max() * db_to_ratio(np.arange(LOWEST_CLIP_DB, CLIP_STEP_DB, CLIP_STEP_DB))
    waves = clipped_sine(clips[:, None] / drive[None, :], order=order)
    changes = np.asarray(ratio_to_db(waves[0]))
    miss = np.sqrt(np.mean((changes - gain_change_db) ** 2, axis=1))
    best = int(np.argmin(miss))
    thd = np.asarray(ratio_to_db(np.sqrt(np.sum(waves[1:, best] ** 2, axis=0)) / waves[0, best]))
    at_work = drive > AT_WORK * clips[best]
    thd_miss = thd[at_work] - odd_db[at_work]
    curves = np.geomspace(*CURVATURES) / drive.max() ** 2
    curved = np.asarray(ratio_to_db(1.0 - curves[:, None] * drive[None, :] ** 2))
    return ClipFit(
        clip_dbfs=float(ratio_to_db(clips[best])),
        rms_db=float(miss[best]),
        curved_rms_db=float(np.min(np.sqrt(np.mean((curved - gain_change_db) ** 2, axis=1)))),
        thd_db=thd,
        thd_rms_db=float(np.sqrt(np.mean(thd_miss**2))) if np.any(at_work) else float("nan"),
    )
