"""How high a plot of level against log frequency is: so many decibels as long as one decade.

IEC 60263 (from memory) has the length of one decade equal that of 25 dB or 50 dB, so that
responses from different sources look alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

SLOPES_DB = (25.0, 50.0)
"""Decibels that are as long as a decade (IEC 60263, from memory)."""

_ROUND_DB = 5.0


@dataclass(frozen=True)
class ResponseAxis:
    """Limits of a level axis, its height, and how many decibels are as long as a decade."""

    low_db: float
    high_db: float
    height_in: float
    db_per_decade: float

    @property
    def words(self) -> str:
        """What stands on the figure."""
        return f"{self.db_per_decade:g} dB a decade"


def response_axis(
    low_db: float,
    high_db: float,
    *,
    decade_in: float,
    height_in: float,
    most_in: float | None = None,
    fixed_db: tuple[float, float] | None = None,
) -> ResponseAxis:
    """Choose the axis for levels between two values.

    Parameters
    ----------
    low_db, high_db
        What is to be seen, −inf or NaN where nothing is.
    decade_in
        Length of a decade of frequency, inches.
    height_in
        Height of the axes: the range follows from it.
    most_in
        Height to which they may grow where 50 dB a decade do not hold everything.
    fixed_db
        Limits given: the height follows from these, as near to ``height_in`` as it goes.

    Returns
    -------
    ResponseAxis
        At 25 dB a decade if that holds everything, else at 50, from the top down: what lies lower
        is cut off.
    """
    if fixed_db is not None:
        heights = [(fixed_db[1] - fixed_db[0]) / slope * decade_in for slope in SLOPES_DB]
        best = int(np.argmin(np.abs(np.log(np.array(heights) / height_in))))
        return ResponseAxis(*fixed_db, heights[best], SLOPES_DB[best])
    if not np.isfinite(low_db) or not np.isfinite(high_db):
        low_db, high_db = 0.0, 0.0
    top = _ROUND_DB * float(np.ceil(high_db / _ROUND_DB + 0.3))
    for slope in SLOPES_DB:
        bottom = top - slope * height_in / decade_in
        if bottom <= low_db - 1.0:
            return ResponseAxis(bottom, top, height_in, slope)
    needed_in = (top - _ROUND_DB * float(np.floor(low_db / _ROUND_DB))) / slope * decade_in
    height_in = max(height_in, min(needed_in, most_in or height_in))
    return ResponseAxis(top - slope * height_in / decade_in, top, height_in, slope)
