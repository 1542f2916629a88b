"""A gain that moved while a sweep passed: where its level steps against that of another sweep."""

from __future__ import annotations

import numpy as np

from distsweep.units import FloatArray

LEAST_POINTS = 6
"""Least points on either side of a step (chosen: of 48 an octave, so that no single dip passes)."""

LARGEST_MISFIT = 0.2
"""Largest RMS departure from a step, re its height (chosen: an even slope from 0 to the height
departs by 0.29, and what is compressed here and not there is no step either)."""


def find_step(change_db: FloatArray, step_db: float) -> int | None:
    """Return the first point after a step of known height, in a curve that is 0 before it.

    Parameters
    ----------
    change_db : change of the level in dB against log frequency, shape ``(F,)``; NaN where it
        is not known.
    step_db : height of the step.

    Returns
    -------
    Index of the first point after the step: the best fit by least squares over all places,
    0 (before all) and F (after all) included; None where the curve is not like that anywhere
    inside.
    """
    known = np.isfinite(change_db)
    before = np.where(known, change_db, 0.0) ** 2
    after = np.where(known, change_db - step_db, 0.0) ** 2
    misfit = np.concatenate([[0.0], np.cumsum(before)]) + np.concatenate(
        [np.cumsum(after[::-1])[::-1], [0.0]]
    )
    best = int(np.argmin(misfit))
    count = int(np.sum(known))
    if min(int(np.sum(known[:best])), int(np.sum(known[best:]))) < LEAST_POINTS:
        return None
    if np.sqrt(misfit[best] / count) > LARGEST_MISFIT * abs(step_db):
        return None
    return best
