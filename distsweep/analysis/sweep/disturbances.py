"""Moments at which more is left over of a sweep than its silence and its room explain.

Each cell of the map holds a complex Gaussian's power, so that the mean of m independent cells over
the density expected is a gamma variable of shape m. What exceeds its far quantile was not there
while the silence was recorded. Two means are looked at: over an octave at one moment, which shows
what is short, and over a third of a second in a narrow band, which shows what lasts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.sweep.left_over import MomentMap
from distsweep.units import BoolArray, ComplexArray, FloatArray, IntArray

FAR = 6.0
"""Deviations of a Gaussian whose quantile a mean must exceed (chosen: one chance in a thousand
million, where a take has half a million cells; of 20 undamaged takes, 5 showed one)."""

OCTAVE_HALF, NARROW_HALF = 6, 1
"""Bands to either side that the mean at one moment, and the lasting one, include (chosen: one
octave; a quarter of one)."""

TOGETHER, BLOCKS_HALF = 10, 1
"""Frames of a block, and blocks to either side that the lasting mean includes (chosen: a tenth of a
second, so that a third of a second counts, the length of a syllable)."""

BESIDE = 2
"""Moments beside a short disturbance that are left out of lasting means (chosen: a frame's length;
down to 60 dB below it a Hann window still shows it there)."""

CELLS_ALIKE = 2.0
"""Cells that are worth one independent one: Hann windows that overlap by half, with bins side by
side (1 + 2·4/9 + 2·1/36 of bins; Welch 1967)."""

DECAY_MARGIN = 2.0
"""How many times the decay that the fundamental foretells an order's may be (chosen: a room's
decays at one place fluctuate by 3 dB from one frequency to the next)."""

METHOD = 1e-11
"""What a perfect recording leaves over, re the fundamental's density (measured on a linear system
without noise, 8 s from 20 Hz: −119 dB at 300 Hz just before the fundamental, less elsewhere)."""

SMOOTHED_POINTS = 17
"""Grid points over which the power of an order is averaged before its decay is foretold from it
(chosen: a third of an octave; a room's dips lie closer)."""


@dataclass(frozen=True)
class Disturbances:
    """What exceeds the expected density, pass by pass.

    Attributes
    ----------
    expected : of the silence and of decays, shape ``(P, T, B)``.
    excess : mean density above the expected one, over neighbouring bands, ``(P, T, B)``.
    short, lasting : where it is more than chance, shape ``(P, T, B)`` each.
    shown : where either is.
    """

    expected: FloatArray
    excess: FloatArray
    short: BoolArray
    lasting: BoolArray
    shown: BoolArray


def find_disturbances(
    layout: MomentMap, density: FloatArray, expected: FloatArray
) -> Disturbances | None:
    """Compare densities with those expected, shape ``(P, T, B)`` each; None where none exceeds."""
    weighted = density / expected * layout.cells
    short = _exceeds(_over_bands(weighted, OCTAVE_HALF), _over_bands(layout.cells, OCTAVE_HALF))
    short &= layout.cells > 0.0
    # What is short must not count as lasting by the third of a second around it.
    brief = reaching(np.any(short, axis=2), BESIDE)[:, :, None]
    lasting = _lasting(layout, np.where(brief, layout.cells, weighted))
    shown = short | lasting
    if not np.any(shown):
        return None
    excess = _excess(layout, density, expected)
    return Disturbances(expected, excess, short, lasting, shown)


def reaching(flags: BoolArray, moments: int) -> BoolArray:
    """Return flags that reach some moments farther to both sides, shape ``(P, T)``."""
    kernel = np.ones(2 * moments + 1)
    return np.stack([np.convolve(row, kernel, mode="same") > 0.5 for row in flags])


def _excess(layout: MomentMap, density: FloatArray, expected: FloatArray) -> FloatArray:
    """Return the mean excess over neighbouring bands, not below 0."""
    above = _over_bands((density - expected) * layout.cells, NARROW_HALF)
    return np.maximum(above / np.maximum(_over_bands(layout.cells, NARROW_HALF), 1.0), 0.0)


def _lasting(layout: MomentMap, weighted: FloatArray) -> BoolArray:
    """Tell where the mean over a third of a second exceeds what is expected."""
    blocks = weighted.shape[1] // TOGETHER
    used = blocks * TOGETHER

    def over(part: FloatArray) -> FloatArray:
        narrow = _over_bands(part[..., :used, :], NARROW_HALF)
        shape = (*narrow.shape[:-2], blocks, TOGETHER, narrow.shape[-1])
        sums = np.sum(narrow.reshape(shape), axis=-2)
        return np.swapaxes(_over_bands(np.swapaxes(sums, -1, -2), BLOCKS_HALF), -1, -2)

    found = _exceeds(over(weighted), over(layout.cells))
    flags = np.zeros(weighted.shape, dtype=bool)
    flags[:, :used] = np.repeat(found, TOGETHER, axis=1)
    return flags & (layout.cells > 0.0)


def _over_bands(values: FloatArray, half: int) -> FloatArray:
    """Return sums over the last axis's neighbours, ``half`` to either side."""
    count = values.shape[-1]
    running = np.cumsum(values, axis=-1)
    sums = np.empty_like(running)
    sums[..., : count - half] = running[..., half:]
    sums[..., count - half :] = running[..., -1:]
    sums[..., half + 1 :] -= running[..., : count - half - 1]
    return sums


def _exceeds(sums: FloatArray, cells: FloatArray) -> BoolArray:
    """Tell where a mean over cells exceeds the far quantile of a gamma variable of mean 1.

    By the cube root of Wilson and Hilferty (PNAS 17, 1931).
    """
    shape = np.maximum(cells / CELLS_ALIKE, 0.5)
    limit = (1.0 - 1.0 / (9.0 * shape) + FAR / (3.0 * np.sqrt(shape))) ** 3
    return np.asarray((sums > limit * cells) & (cells > 0.0))


def expected_density(
    layout: MomentMap,
    decay: FloatArray,
    background: FloatArray,
    values: ComplexArray,
    floors: FloatArray,
    grid: FloatArray,
) -> FloatArray:
    """Return the silence's density and the decay of every order, shape ``(P, T, B)``.

    Order n decays at a frequency as the fundamental did there, L·ln n later, and is as much lower
    as its amplitude is.

    Parameters
    ----------
    decay : density behind the fundamental, shape ``(P, T, B)``.
    background : density of the silence, shape ``(B,)``.
    values, floors : amplitudes of the orders on the grid, ``(order, P, F)`` and ``(order, F)``.
    grid : excitation frequencies in the recorder's clock, shape ``(F,)``.
    """
    powers = np.maximum(np.abs(values) ** 2 - floors[:, None] ** 2, 0.0)
    heard = np.where(layout.decaying > 0.0, np.maximum(decay - background, 0.0), 0.0)
    # An order's delay is no whole number of moments: the larger of neighbouring ones stands for it.
    heard[:, 1:-1] = np.maximum(np.maximum(heard[:, :-2], heard[:, 2:]), heard[:, 1:-1])
    expected = np.broadcast_to(background, decay.shape).copy()
    fundamental = _over_octaves(powers[0], grid, layout.middle_hz)
    expected += METHOD * layout.strip_density(fundamental)[:, None]
    for n in range(2, len(values) + 1):
        share = _over_octaves(powers[n - 1], grid, layout.middle_hz / n)
        later = round(layout.rate_constant_s * math.log(n) / float(layout.time_s[1]))
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = np.nan_to_num(share / fundamental, posinf=0.0)[:, None]
        expected[:, :-later] += DECAY_MARGIN * ratio * heard[:, later:]
    return expected


def _over_octaves(powers: FloatArray, grid: FloatArray, at_hz: FloatArray) -> FloatArray:
    """Return averaged powers at frequencies, shape ``(P, B)``; 0 below the grid, held above."""
    held = int(np.sum(np.isfinite(powers[0])))
    if not held:
        return np.zeros((len(powers), len(at_hz)))
    half = SMOOTHED_POINTS // 2
    padded = np.pad(powers[:, :held], ((0, 0), (half + 1, half)), mode="edge")
    running = np.cumsum(padded, axis=1)
    mean = (running[:, SMOOTHED_POINTS:] - running[:, :-SMOOTHED_POINTS]) / SMOOTHED_POINTS
    return np.stack([np.interp(at_hz, grid[:held], row, left=0.0) for row in mean])


def spoilt_density(layout: MomentMap, found: Disturbances, damaged: BoolArray) -> FloatArray | None:
    """Return the density that disturbances add where orders stand, shape ``(P, T, B)``.

    What lies above the highest order counts at damaged moments only: else it may be the
    loudspeaker's. Between free bands, and between free moments, the excess is interpolated in dB.
    None where nothing was found.

    Parameters
    ----------
    damaged : which moments of which pass are damaged, shape ``(P, T)``.
    """
    shown = found.shown & (damaged[:, :, None] | ~layout.above)
    if not np.any(shown):
        return None
    least = 0.01 * found.expected
    level = np.log(np.where(shown, np.maximum(found.excess, least), least))
    added = np.zeros_like(level)
    bands = np.arange(level.shape[2])
    for row, moment in np.argwhere(np.any(shown, axis=2)):
        seen = layout.cells[moment] > 0.0
        if not damaged[row, moment]:
            seen &= ~layout.above[moment]
        if not np.any(seen):
            continue
        filled = np.interp(bands, bands[seen], level[row, moment, seen])
        if damaged[row, moment]:
            filled = _rising_below(filled, bands[seen])
        added[row, moment] = np.exp(filled)
    moments = np.arange(level.shape[1])
    for row, band in np.argwhere(np.any(found.lasting & shown, axis=1)):
        seen = (layout.cells[:, band] > 0.0) & ~layout.above[:, band]
        if np.any(seen):
            along = np.exp(np.interp(moments, moments[seen], level[row, seen, band]))
            added[row, :, band] = np.maximum(added[row, :, band], along)
    return added


def _rising_below(level: FloatArray, seen: IntArray) -> FloatArray:
    """Return a moment's levels, continued below the lowest free band as they rise towards it.

    A knock's lowest frequencies are its strongest, and at the lowest moments of a sweep no band is
    free there. ``level`` is logarithmic, shape ``(B,)``, ``seen`` the free bands.
    """
    lowest = seen[0]
    octave = seen[seen <= lowest + 2 * OCTAVE_HALF]
    if lowest == 0 or len(octave) < 3:
        return level
    slope = min(float(np.polyfit(octave, level[octave], 1)[0]), 0.0)
    below = np.arange(lowest)
    return np.concatenate([level[lowest] + slope * (below - lowest), level[lowest:]])
