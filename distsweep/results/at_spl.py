"""Records of THD and harmonics at stated levels, between the rungs that were played."""

from __future__ import annotations

from dataclasses import dataclass, field

from distsweep.results.record import Record
from distsweep.units import FloatArray

BAND, EACH_FREQUENCY = "band", "each frequency"
"""Meanings of a stated level: the loudspeaker gives it in the level band; or at each frequency."""


@dataclass(frozen=True, repr=False)
class HarmonicAtSpl(Record):
    """One harmonic at a stated level, dB re the fundamental, ``(F,)`` each."""

    level_db: FloatArray
    low_db: FloatArray
    high_db: FloatArray


@dataclass(frozen=True, repr=False)
class AtSpl(Record):
    """THD and harmonics at one stated level; arrays have shape ``(F,)``, on the take's grid.

    ``drive_dbfs`` is the drive that gives the level, with the ends of what it may be. All is NaN
    where the level was not played; ends are those of 95 % intervals, −inf is "at most".
    """

    spl_db: float
    meaning: str
    frequency_hz: FloatArray
    drive_dbfs: FloatArray
    drive_low_dbfs: FloatArray
    drive_high_dbfs: FloatArray
    thd_db: FloatArray
    thd_low_db: FloatArray
    thd_high_db: FloatArray
    harmonics: dict[int, HarmonicAtSpl] = field(default_factory=dict)
