"""What the section on stated levels shows: levels of one meaning, and values at nominal places."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.analysis.noise.interval import is_reliable
from distsweep.results import BAND, EACH_FREQUENCY, AtSpl, Take
from distsweep.units import BoolArray, FloatArray

NEAR_ENOUGH = 2.0 ** (1.0 / 12.0)
"""A grid point farther off stands for another frequency (chosen: four of the grid's 48 points an
octave)."""


@dataclass(frozen=True)
class Known:
    """A level re the fundamental with its interval, dB; a low end of −inf is "at most"."""

    value_db: float
    low_db: float
    high_db: float


def of_meaning(take: Take, meaning: str) -> list[AtSpl]:
    """Return the levels that are stated in one meaning, lowest first."""
    found = [one for one in take.at_spl if one.meaning == meaning]
    return sorted(found, key=lambda one: one.spl_db)


def meanings(take: Take) -> list[str]:
    """Return the meanings in which anything is stated."""
    return [meaning for meaning in (BAND, EACH_FREQUENCY) if of_meaning(take, meaning)]


def standing(values: FloatArray, low: FloatArray, high: FloatArray) -> tuple[BoolArray, BoolArray]:
    """Tell where a value is known within 1.5 dB, and where it is known less well."""
    there = np.isfinite(values) & np.isfinite(low) & np.isfinite(high)
    reliable = there & is_reliable(low, high)
    return reliable, there & ~reliable


def known_at(
    frequency_hz: FloatArray, parts: tuple[FloatArray, FloatArray, FloatArray], at_hz: float
) -> Known | None:
    """Return what is known at a nominal frequency; None where the grid or the values end."""
    at = int(np.argmin(np.abs(np.log(frequency_hz / at_hz))))
    if not 1.0 / NEAR_ENOUGH <= frequency_hz[at] / at_hz <= NEAR_ENOUGH:
        return None
    value, low, high = (float(part[at]) for part in parts)
    if not np.isfinite(high):
        return None
    nothing = not np.isfinite(value)  # in a file, what is nothing is as what does not exist
    return Known(value, -np.inf if nothing or not np.isfinite(low) else low, high)


def thd_parts(stated: AtSpl) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return THD with the ends of its interval."""
    return stated.thd_db, stated.thd_low_db, stated.thd_high_db


def harmonic_parts(stated: AtSpl, order: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return a harmonic with the ends of its interval."""
    one = stated.harmonics[order]
    return one.level_db, one.low_db, one.high_db
