"""The grid of excitation frequencies that curves of a sweep are read on."""

from __future__ import annotations

import math

import numpy as np

from distsweep.units import FloatArray

POINTS_PER_OCTAVE = 48
"""Grid of excitation frequencies (chosen: its steps of 1.5 % are about as wide as a mode of Q 60 is
at half its power)."""


def frequency_grid(band_hz: tuple[float, float]) -> FloatArray:
    """Return excitation frequencies, 48 an octave from the band's lower end on, in Hz."""
    octaves = math.log2(band_hz[1] / band_hz[0])
    steps = np.arange(int(octaves * POINTS_PER_OCTAVE + 1e-9) + 1)
    return np.asarray(band_hz[0] * 2.0 ** (steps / POINTS_PER_OCTAVE))
