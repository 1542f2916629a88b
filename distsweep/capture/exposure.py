"""Noise exposure: the dose of stretches of sound, by three regimes, at the listener's place.

This is a caution for planning, not a measurement by any of the standards named: those ask for
a sound level meter, worn or held where the ear is.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from distsweep.errors import InputError
from distsweep.units import FloatArray, db_to_power, power_to_db

HOURS_A_DAY = 8.0
"""Every regime counts over an eight-hour day."""

NEAREST_MICROPHONE_M = 0.1
"""Distances below this count as this. In a piston's near field the pressure is 2·r/a times
what 1/r predicts from the far field at r (Keele 1974), so that a near-field microphone stands
for one at a/2; that is 0.1 m for a 20 cm cone radius, and the safe side for smaller ones."""

LARGEST_DROP_DB = 10.0
"""Most that a listener's level counts as below the microphone's (chosen: past a metre or two in a
furnished room the reverberant field takes over and distance no longer helps)."""


@dataclass(frozen=True)
class Regime:
    """A rule for adding exposures: T = 8 h / 2^((L − criterion)/exchange).

    Attributes
    ----------
    name, source : as shown to the tester.
    criterion_dba : A-weighted level of which eight hours are a dose of 100 %.
    exchange_db : rise in level that halves the time.
    threshold_dba : levels below it are not counted; −inf counts everything.
    """

    name: str
    source: str
    criterion_dba: float
    exchange_db: float
    threshold_dba: float

    def allowed_minutes(self, level_dba: float) -> float:
        """Time that alone makes a dose of 100 %, in minutes; infinite below the threshold."""
        if level_dba < self.threshold_dba:
            return math.inf
        halvings = (level_dba - self.criterion_dba) / self.exchange_db
        return 60.0 * HOURS_A_DAY / math.pow(2.0, min(halvings, 1000.0))

    def dose_percent(self, exposures: Iterable[Exposure]) -> float:
        """Dose 100·Σ C/T over stretches of sound, in percent of what a day may hold."""
        return 100.0 * sum(
            item.minutes / self.allowed_minutes(item.level_dba) for item in exposures
        )

    def eight_hour_level_dba(self, dose_percent: float) -> float:
        """Level that for eight hours gives the same dose, in dBA; −inf for none.

        The exact inverse of the exchange rate. Print has rounded factors: 10.0·lg for 3 dB
        (NIOSH; exactly 9.966), 16.61·lg for 5 dB (OSHA appendix A).
        """
        if dose_percent <= 0.0:
            return -math.inf
        return self.criterion_dba + self.exchange_db * math.log2(dose_percent / 100.0)


EQUAL_ENERGY_DB = float(power_to_db(2.0))
"""Half the time at twice the power: 3.0103 dB."""

NIOSH = Regime("NIOSH", "NIOSH 98-126 (1998): 85 dBA for 8 h, 3 dB exchange", 85.0, 3.0, -math.inf)
"""NIOSH asks for 80 dBA and more to be counted; here everything is, which is the safe side."""

OSHA_LIMIT = Regime(
    "OSHA limit", "29 CFR 1910.95(b), table G-16: 90 dBA for 8 h, 5 dB exchange", 90.0, 5.0, 90.0
)
OSHA_CONSERVATION = Regime(
    "OSHA action",
    "29 CFR 1910.95(c), appendix A: as the limit, counted from 80 dBA; action from 50 %",
    90.0,
    5.0,
    80.0,
)
EU_LIMIT = Regime(
    "EU limit",
    "2003/10/EC art. 3: L_EX,8h 87 dBA (under the protector), equal energy",
    87.0,
    EQUAL_ENERGY_DB,
    -math.inf,
)
EU_UPPER = Regime(
    "EU upper action", "2003/10/EC art. 3: L_EX,8h 85 dBA", 85.0, EQUAL_ENERGY_DB, -math.inf
)
EU_LOWER = Regime(
    "EU lower action", "2003/10/EC art. 3: L_EX,8h 80 dBA", 80.0, EQUAL_ENERGY_DB, -math.inf
)
REGIMES = (NIOSH, EU_LOWER, EU_UPPER, EU_LIMIT, OSHA_CONSERVATION, OSHA_LIMIT)
"""Every regime that is shown, the guiding one first."""


@dataclass(frozen=True)
class Exposure:
    """A stretch of sound: its A-weighted level in dB SPL, and how long it lasts in minutes."""

    level_dba: float
    minutes: float

    def __post_init__(self) -> None:
        """Refuse what is no exposure."""
        if not math.isfinite(self.level_dba):
            raise InputError(f"level is {self.level_dba}: must be a number of dB")
        if not (math.isfinite(self.minutes) and self.minutes >= 0.0):
            raise InputError(f"minutes are {self.minutes}: must be 0 or more")


@dataclass(frozen=True)
class Dose:
    """One regime's verdict: dose in percent, and the level that for 8 h gives the same."""

    regime: Regime
    percent: float
    eight_hour_level_dba: float


def doses(exposures: Iterable[Exposure]) -> list[Dose]:
    """Add exposures up by every regime."""
    listed = list(exposures)
    by_regime = []
    for regime in REGIMES:
        percent = regime.dose_percent(listed)
        by_regime.append(Dose(regime, percent, regime.eight_hour_level_dba(percent)))
    return by_regime


def exposures_of(levels_dba: FloatArray, *, step_s: float) -> list[Exposure]:
    """Turn a course of A-weighted levels, one a step, into exposures a decibel wide.

    Levels of −inf (silence) are left out. Within a class the energy mean stands for all.
    """
    sounding = np.asarray(levels_dba)[np.isfinite(levels_dba)]
    exposures = []
    classes = np.floor(sounding)
    for low_dba in np.unique(classes):
        inside = sounding[classes == low_dba]
        level_dba = float(power_to_db(np.mean(db_to_power(inside))))
        exposures.append(Exposure(level_dba, len(inside) * step_s / 60.0))
    return exposures


def listener_offset_db(distance_m: float | None, listener_distance_m: float | None) -> float:
    """Level at the listener minus level at the microphone, in dB.

    20·log10(distance / listener_distance), by spherical spreading, never less than
    −LARGEST_DROP_DB; 0 where a distance is not known: the listener then counts as sitting at
    the microphone.

    Parameters
    ----------
    distance_m, listener_distance_m : from the loudspeaker to the microphone, to the listener.
    """
    if distance_m is None or listener_distance_m is None:
        return 0.0
    distance_m = max(distance_m, NEAREST_MICROPHONE_M)
    fall_db = float(power_to_db((listener_distance_m / distance_m) ** 2))
    return -min(fall_db, LARGEST_DROP_DB)
