"""Decibels, pascals and percent: the only place where 20·log10 stands.

The decibel of zero is −inf here; results turn it into ``null``.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

REFERENCE_PRESSURE_PA = 20e-6
"""RMS pressure of 0 dB SPL (ISO 1683:2015)."""


def ratio_to_db(ratio: ArrayLike) -> Any:
    """Amplitude ratio to decibels, 20·log10(ratio); zero gives −inf."""
    with np.errstate(divide="ignore"):
        return 20.0 * np.log10(np.asarray(ratio, dtype=float))


def db_to_ratio(level_db: ArrayLike) -> Any:
    """Decibels to amplitude ratio."""
    return 10.0 ** (np.asarray(level_db, dtype=float) / 20.0)


def power_to_db(power_ratio: ArrayLike) -> Any:
    """Power ratio to decibels, 10·log10(ratio); zero gives −inf."""
    with np.errstate(divide="ignore"):
        return 10.0 * np.log10(np.asarray(power_ratio, dtype=float))


def db_to_power(level_db: ArrayLike) -> Any:
    """Decibels to power ratio."""
    return 10.0 ** (np.asarray(level_db, dtype=float) / 10.0)


def db_to_percent(level_db: ArrayLike) -> Any:
    """Level re the fundamental in dB to percent of the fundamental."""
    return 100.0 * db_to_ratio(level_db)


def percent_to_db(percent: ArrayLike) -> Any:
    """Percent of the fundamental to level re the fundamental in dB."""
    return ratio_to_db(np.asarray(percent, dtype=float) / 100.0)


def pascal_to_spl_db(pressure_pa: ArrayLike) -> Any:
    """RMS pressure in Pa to dB SPL; one beyond all numbers gives inf."""
    with np.errstate(over="ignore"):
        return ratio_to_db(np.asarray(pressure_pa, dtype=float) / REFERENCE_PRESSURE_PA)


def spl_db_to_pascal(spl_db: ArrayLike) -> Any:
    """Level in dB SPL to RMS pressure in Pa."""
    return REFERENCE_PRESSURE_PA * db_to_ratio(spl_db)
