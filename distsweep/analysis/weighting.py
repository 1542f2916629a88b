"""Frequency weightings A and C of IEC 61672-1:2013, annex E (analytic form)."""

from __future__ import annotations

import numpy as np

from distsweep.units import FloatArray, ratio_to_db

_F1_HZ, _F2_HZ, _F3_HZ, _F4_HZ = 20.598997, 107.652649, 737.862231, 12194.217148
"""The pole frequencies that follow from f_r = 1000, f_L = 10^1.5, f_H = 10^3.9 and
f_A = 10^2.45 Hz (IEC 61672-1, annex E); the standard prints them rounded."""


def a_weighting_db(frequency_hz: FloatArray) -> FloatArray:
    """A-weighting in dB, 0 dB at 1 kHz; −inf at 0 Hz."""
    f = np.asarray(frequency_hz, dtype=float)
    return np.asarray(ratio_to_db(_a(f)) - ratio_to_db(_a(np.array(1000.0))))


def c_weighting_db(frequency_hz: FloatArray) -> FloatArray:
    """C-weighting in dB, 0 dB at 1 kHz; −inf at 0 Hz."""
    f = np.asarray(frequency_hz, dtype=float)
    return np.asarray(ratio_to_db(_c(f)) - ratio_to_db(_c(np.array(1000.0))))


def _c(f: FloatArray) -> FloatArray:
    return _F4_HZ**2 * f**2 / ((f**2 + _F1_HZ**2) * (f**2 + _F4_HZ**2))


def _a(f: FloatArray) -> FloatArray:
    return np.asarray(_c(f) * f**2 / np.sqrt((f**2 + _F2_HZ**2) * (f**2 + _F3_HZ**2)))
