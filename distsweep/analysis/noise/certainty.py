"""How far a level stands from its floor, and what noise moves it by."""

from __future__ import annotations

import numpy as np

from distsweep.units import FloatArray, db_to_ratio

SEEN_DB, CLEAR_DB, RELIABLE_DB = 6.0, 12.0, 25.0
"""The three standings of a level, by its distance from its floor (see `level_deviation_db`).

Below the first it is *hidden*: the background alone may have made it (contract). From the first on
it is *seen*: it is there, and its standard deviation is 3.1 dB or less. From the second on it is
*clear*: its height is known to 1.5 dB (standard deviation). From the third on it is *reliable*: it
takes 4.3 standard deviations to move it by 1.5 dB, which Gaussian noise does once in seventy
thousand values. Chosen so: what is concluded from one value alone asks for "reliable", what rests
on several asks for "clear", and what is only drawn, or is confirmed elsewhere, for "seen"."""

DB_PER_RATIO = 20.0 / np.log(10.0)
"""Decibels that a small relative change of an amplitude makes: the derivative,
by the formula of the decibel, 20·log10, at a ratio of 1."""

DEVIATION_OF_MEDIAN = 1.4826
"""Standard deviation over median absolute deviation, by the Gaussian's formula."""


def level_deviation_db(above_floor_db: FloatArray) -> FloatArray:
    """Return what noise moves a level by, one standard deviation, at a distance from its floor.

    An error whose mean square is σ² moves an amplitude by σ/√2, its part in step with it.
    """
    return np.asarray(DB_PER_RATIO * np.sqrt(0.5) * db_to_ratio(-above_floor_db))
