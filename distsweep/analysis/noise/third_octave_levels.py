"""Levels of a recording in which nothing was played: in thirds of an octave, and A-weighted."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.noise.background import (
    NoiseSpectrum,
    describe_background,
    noise_spectrum,
)
from distsweep.analysis.settings import TakeSettings
from distsweep.analysis.third_octave import band_edges_hz, third_octave_bands
from distsweep.analysis.weighting import a_weighting_db
from distsweep.results import Background
from distsweep.units import FloatArray, db_to_power, power_to_db

AUDIBLE_HZ = (20.0, 20000.0)
"""Nominal middles of the lowest and the highest band (IEC 61672-1:2013 states tolerances of the
A-weighting up to 20 kHz; ISO 226 begins at 20 Hz)."""


@dataclass(frozen=True, eq=False)
class NoiseLevels:
    """Powers of a recording, re that of a full-scale sine.

    Attributes
    ----------
    frequency_hz : nominal midband frequencies of thirds of an octave (IEC 61260-1), shape ``(B,)``.
    power : in each third, shape ``(B,)``.
    a_weighted : A-weighted, from the lowest third to the highest.
    degrees : degrees of freedom that each power has as an average of noise, shape ``(B,)``.
    a_weighted_degrees : those of the A-weighted power.
    left_out_s : stretches in which something else was heard besides, start and end in seconds;
        they are in none of the powers.
    """

    frequency_hz: FloatArray
    power: FloatArray
    a_weighted: float
    degrees: FloatArray
    a_weighted_degrees: float
    left_out_s: tuple[tuple[float, float], ...]


def noise_levels(
    samples: FloatArray,
    *,
    rate_hz: float,
    correction_db: Callable[[FloatArray], FloatArray],
    step: float = 0.0,
) -> NoiseLevels | None:
    """Return the levels of a recording, without stretches in which it is unlike itself.

    Parameters
    ----------
    samples : shape ``(N,)``, full scale 1.
    correction_db : the microphone's deviation in dB at frequencies in Hz; it is taken away.
    step : smallest step of the recording's encoding; 0 where it has none.

    Returns
    -------
    None where the recording is shorter than one stretch of `noise_spectrum`.
    """
    noise = noise_spectrum([samples], rate_hz=rate_hz, step=step)
    return None if noise is None else _levels(noise, rate_hz, correction_db)


def audible_thirds_hz(rate_hz: float) -> FloatArray:
    """Return the nominal middles of the thirds that a rate holds, within `AUDIBLE_HZ`."""
    grid_hz = 1000.0 * 10.0 ** (np.arange(-180, 141) / 100.0)
    nominal_hz, _ = third_octave_bands(grid_hz)
    low_hz, high_hz = AUDIBLE_HZ
    kept = [
        f
        for f in nominal_hz
        if 0.99 * low_hz <= f <= 1.01 * high_hz and band_edges_hz(f)[1] <= 0.5 * rate_hz
    ]
    return np.array(kept)


def third_octave_powers(
    noise: NoiseSpectrum,
    thirds_hz: FloatArray,
    correction_db: Callable[[FloatArray], FloatArray],
) -> FloatArray:
    """Return the power of noise in thirds of an octave, re a full-scale sine, shape ``(B,)``.

    ``thirds_hz`` are nominal midband frequencies.
    """
    _, power = _bins(noise, correction_db)
    edges_hz = np.array([band_edges_hz(f) for f in thirds_hz]).reshape(-1, 2)
    running = np.concatenate([[0.0], np.cumsum(power)])
    places_hz = noise.bin_hz * (np.arange(len(running)) + 0.5)
    below, above = (np.interp(edges_hz[:, side], places_hz, running) for side in (0, 1))
    return np.asarray(above - below)


def _bins(
    noise: NoiseSpectrum, correction_db: Callable[[FloatArray], FloatArray]
) -> tuple[FloatArray, FloatArray]:
    """Return frequency and power of each bin but that of 0 Hz, re a full-scale sine."""
    bins_hz = np.arange(1.0, len(noise.density)) * noise.bin_hz
    # A sine of peak 1 has the mean square ½: that is full scale.
    return bins_hz, 2.0 * noise.bin_hz * noise.density[1:] * db_to_power(-correction_db(bins_hz))


def _levels(
    noise: NoiseSpectrum, rate_hz: float, correction_db: Callable[[FloatArray], FloatArray]
) -> NoiseLevels:
    thirds_hz = audible_thirds_hz(rate_hz)
    edges_hz = np.array([band_edges_hz(f) for f in thirds_hz])
    bins_hz, power = _bins(noise, correction_db)
    inside = (bins_hz >= edges_hz[0, 0]) & (bins_hz <= edges_hz[-1, 1])
    weighted = power[inside] * db_to_power(a_weighting_db(bins_hz[inside]))
    whole = float(np.sum(weighted))
    worth_bins = whole**2 / max(float(np.sum(weighted**2)), 1e-300)
    worth_hz = np.array([max(worth_bins, 1.0) * noise.bin_hz])
    return NoiseLevels(
        frequency_hz=thirds_hz,
        power=third_octave_powers(noise, thirds_hz, correction_db),
        a_weighted=whole,
        degrees=noise.degrees_around(edges_hz[:, 1] - edges_hz[:, 0]),
        a_weighted_degrees=float(noise.degrees_around(worth_hz)[0]),
        left_out_s=tuple((first / rate_hz, end / rate_hz) for _, first, end in noise.left_out),
    )


def describe_in_thirds(noise: NoiseSpectrum, settings: TakeSettings) -> Background:
    """Return a background with its levels in the thirds that lie within the measured band too."""
    thirds_hz = audible_thirds_hz(2.0 * noise.bin_hz * (len(noise.density) - 1))
    low_hz, high_hz = settings.band_hz
    edges_hz = [band_edges_hz(f) for f in thirds_hz]
    inside = [low_hz <= edges[0] and edges[1] <= high_hz for edges in edges_hz]
    thirds_hz = thirds_hz[np.array(inside, dtype=bool)]
    power = third_octave_powers(noise, thirds_hz, settings.correction_db)
    return replace(
        describe_background(noise, settings),
        third_octave_hz=thirds_hz,
        third_octave_db=power_to_db(power) + settings.level_offset_db,
    )
