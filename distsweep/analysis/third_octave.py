"""Bands of a third of an octave (IEC 61260-1:2014, base-ten system)."""

from __future__ import annotations

import math

import numpy as np

from distsweep.units import BoolArray, FloatArray, IntArray

BANDS_PER_DECADE = 10
NOMINAL = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
"""Nominal midband frequencies of one decade (IEC 61260-1:2014, Annex E)."""

LEAST_SHARE = 0.5
"""A band counts where at least so much of its width is measured (chosen: its middle is)."""


def third_octave_bands(frequency_hz: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Sort a grid into bands of a third of an octave.

    Parameters
    ----------
    frequency_hz : rising, evenly spaced on a log scale, shape ``(F,)``.

    Returns
    -------
    The bands' *nominal* midband frequencies in Hz (31.5, not 31.62), shape ``(B,)``, and which
    points lie in which band, shape ``(B, F)``. A band reaches from 10^(−1/20) to 10^(1/20) times
    its *exact* midband frequency 1000·10^(k/10) Hz. Bands of which less than half is on the grid
    are left out; so are all where the grid has fewer than two points.
    """
    numbers, inside = _whole_numbers(BANDS_PER_DECADE * np.log10(frequency_hz / 1000.0) + 0.5)
    return np.array([_nominal_hz(int(k)) for k in numbers]), inside


def _nominal_hz(number: int) -> float:
    decade, step = divmod(number, BANDS_PER_DECADE)
    return NOMINAL[step] * 10.0 ** (decade + 3)


def exact_hz(nominal_hz: FloatArray) -> FloatArray:
    """Return exact midband frequencies, 1000·10^(k/10) Hz, of nominal ones."""
    numbers = np.round(BANDS_PER_DECADE * np.log10(nominal_hz / 1000.0))
    return np.asarray(1000.0 * 10.0 ** (numbers / BANDS_PER_DECADE))


def band_edges_hz(nominal_hz: float) -> tuple[float, float]:
    """Return the edges of the band with a nominal midband frequency."""
    number = round(BANDS_PER_DECADE * math.log10(nominal_hz / 1000.0))
    return (
        1000.0 * 10.0 ** ((number - 0.5) / BANDS_PER_DECADE),
        1000.0 * 10.0 ** ((number + 0.5) / BANDS_PER_DECADE),
    )


def fraction_bands(frequency_hz: FloatArray, per_octave: int) -> tuple[FloatArray, BoolArray]:
    """Sort a grid into bands of a fraction of an octave, 6 or 12 an octave.

    Parameters
    ----------
    frequency_hz : rising, evenly spaced on a log scale, shape ``(F,)``.
    per_octave : an even number.

    Returns
    -------
    The bands' exact midband frequencies in Hz, 1000·G^((2k+1)/(2b)) with G = 10^0.3 for b bands an
    octave, shape ``(B,)``, and which points lie in which, shape ``(B, F)`` (IEC 61260-1:2014).
    Bands of which less than half is on the grid are left out.
    """
    numbers, inside = _whole_numbers(per_octave * np.log10(frequency_hz / 1000.0) / 0.3)
    return 1000.0 * 10.0 ** (0.3 * (numbers + 0.5) / per_octave), inside


def _whole_numbers(place: FloatArray) -> tuple[IntArray, BoolArray]:
    """Sort places, evenly spaced, by the whole numbers below them.

    Returns the numbers of which at least `LEAST_SHARE` is there, shape ``(B,)``, and which places
    belong to which, ``(B, F)``; none where there are fewer than two places.
    """
    if len(place) < 2:
        return np.zeros(0, dtype=int), np.zeros((0, len(place)), dtype=bool)
    full = 1.0 / float(np.median(np.diff(place)))  # places in a whole band
    number = np.floor(place).astype(int)
    kept = [k for k in np.unique(number) if np.sum(number == k) >= LEAST_SHARE * full]
    inside = np.array([number == k for k in kept]).reshape(len(kept), len(place))
    return np.array(kept, dtype=int), inside


def octave_bands(frequency_hz: FloatArray, per_octave: int) -> tuple[FloatArray, BoolArray]:
    """Sort a grid into bands of a third, a sixth or a twelfth of an octave, as the two above do."""
    if per_octave == 3:
        return third_octave_bands(frequency_hz)
    return fraction_bands(frequency_hz, per_octave)
