"""A step of the recorder's gain in a pause: between which sweeps a marker's change came about.

No sweep steps then; but all that follow the pause are louder or softer by what the end marker is,
and so is the hiss between them. A hot voice coil makes the marker softer too, by up to
`HOT_COIL_DB`: in that range the hiss must have moved along, else nothing is said.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from distsweep.takes.gain_moved import HOT_COIL_DB, MarkerChange
from distsweep.takes.gain_steps import LIKE_DB, LIKE_SHARE, GainStep, level_ratio_db
from distsweep.takes.sweep_blocks import SweepBlocks

CLEARLY = 0.5
"""The best pause explains the levels by as much of the step better than the next (chosen: a pause
more or less moves one sweep from one side to the other, and its level by the whole step)."""

HISS_DB = 0.25
"""Hiss is like the step within this and `LIKE_SHARE` of it, but no farther off than half of it
(chosen: some three standard deviations of what half a second of it tells)."""


def find_step_in_pause(
    sweeps: Sequence[SweepBlocks], change: MarkerChange, hiss_db: Sequence[float]
) -> GainStep | None:
    """Return the step that a file's gain made between two of its sweeps; None: none is known.

    Parameters
    ----------
    sweeps : of one file, in the order played.
    change : of its end marker re its start marker.
    hiss_db : the hiss before each of the sweeps, and after the last, re that of the silence; NaN
        where not known.
    """
    step_db = change.change_db
    if not sweeps or abs(step_db) < LIKE_DB + change.doubt_db:
        return None
    by_drive = sorted(range(len(sweeps)), key=lambda number: sweeps[number].drive_dbfs)
    pairs = [
        (one, other, ratio_db[np.isfinite(ratio_db)])
        for one, other in itertools.pairwise(by_drive)
        if np.any(np.isfinite(ratio_db := level_ratio_db(sweeps[one], sweeps[other])))
    ]
    if not pairs:
        return None
    heard = np.asarray(hiss_db)
    witness = bool(np.all(np.isfinite(heard)))
    misfits = []
    for place in range(len(sweeps) + 1):
        after = np.arange(len(sweeps) + 1) >= place
        off = [
            float(np.mean(np.abs(ratio_db - step_db * (int(after[other]) - int(after[one])))))
            for one, other, ratio_db in pairs
        ]
        misfits.append(
            sum(off) + (float(np.sum(np.abs(heard - step_db * after))) if witness else 0.0)
        )
    best = int(np.argmin(misfits))
    next_best = min(misfits[:best] + misfits[best + 1 :])
    if next_best - misfits[best] < CLEARLY * abs(step_db):
        return None
    if -HOT_COIL_DB <= step_db < 0.0 or best in (0, len(sweeps)):
        off_db = np.abs(heard - step_db * (np.arange(len(heard)) >= best))
        limit_db = min(HISS_DB + LIKE_SHARE * abs(step_db), 0.5 * abs(step_db))
        if not witness or np.max(off_db) > limit_db:
            return None
    last = best == len(sweeps)
    at = sweeps[-1].end if last else sweeps[best].first
    return GainStep(sweeps[0].file, at, step_db, change.doubt_db)
