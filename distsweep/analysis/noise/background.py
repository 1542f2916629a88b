"""What the microphone hears when nothing is played: noise, its A-weighted level, and hum."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.settings import TakeSettings
from distsweep.analysis.weighting import a_weighting_db
from distsweep.results import Background, Tone
from distsweep.units import FloatArray, db_to_power, power_to_db

SEGMENT_S = 0.68
"""Length of the averaged spectra (chosen: about the length of the analysis's own windows at
20 Hz, so that a line of hum is seen as broad as there)."""

MAINS_HZ = (50.0, 60.0)
"""Nominal frequencies of public supplies (IEC 60038)."""

HUM_MULTIPLES, HUM_ABOVE_DB = 12, 10.0
"""Multiples of the mains frequency that are looked at, and how far above its neighbourhood one must
stand to count as hum (chosen: up to 600 or 720 Hz; in a spectrum averaged over seconds hardly a
bin of mere noise stands out by 10 dB). That is no distance from a floor as those of
`certainty`: a line is compared with the median of the bins beside it."""

LINE_BINS, BESIDE_BINS = 3, (5, 12)
"""A line is summed over so many bins on either side; its neighbourhood lies between these two
(chosen: a Hann window's line is four bins wide, and the mains wander by one)."""


LEAST_STRETCHES, BANDS = 5, 25
"""Stretches of which one may be unlike the others, and edges of the bands in which they are held
against each other (chosen: a second and a half of silence; a third of an octave each)."""

WANDERS, CELLS_ALIKE = 2.0, 2.0
"""A background wanders by as much in power (chosen: 3 dB), and so many bins are worth one that is
independent (Hann: 1 + 2·4/9 + 2·1/36)."""

SEGMENTS_ALIKE = 1.0 / 36.0
"""Correlation of the powers of two Hann-windowed stretches that overlap by half: the square of
Σ w·w(shifted)/Σ w² = 1/6 (Welch 1967, by the formula of the window)."""

BINS_ALIKE = 4.0 / 9.0, 1.0 / 36.0
"""The same of two bins of one stretch, side by side and one apart: squares of 2/3 and 1/6, by the
formula of the Hann window's transform (−1/4, 1/2, −1/4)."""


@dataclass(frozen=True)
class NoiseSpectrum:
    """One-sided power spectral density: mean square of full scale 1, per Hz, shape ``(B,)``.

    ``segments`` is how many independent stretches of silence the average is worth; ``left_out``
    are those that something else was heard in: number of the silence, first sample, and the one
    after the last.
    """

    bin_hz: float
    density: FloatArray
    segments: float = np.inf
    left_out: tuple[tuple[int, int, int], ...] = ()

    def degrees_around(self, bandwidth_hz: FloatArray) -> FloatArray:
        """Return the degrees of freedom that the mean density over a bandwidth has.

        An estimate S of a density has the variance 2·S²/degrees (Welch 1967).
        """
        bins = np.maximum(bandwidth_hz / self.bin_hz, 1.0)
        beside, next_but_one = BINS_ALIKE
        shared = 1.0 + 2.0 * beside * (1.0 - 1.0 / bins)
        shared += 2.0 * next_but_one * np.maximum(1.0 - 2.0 / bins, 0.0)
        return np.asarray(2.0 * self.segments * bins / shared)

    def mean_around(self, frequency_hz: FloatArray, bandwidth_hz: FloatArray) -> FloatArray:
        """Return the mean density within ±bandwidth/2 of each frequency."""
        running = np.concatenate([[0.0], np.cumsum(self.density)])
        edges = np.arange(len(running)) - 0.5
        half = np.maximum(0.5 * bandwidth_hz / self.bin_hz, 0.5)
        centre = np.clip(frequency_hz / self.bin_hz, half - 0.5, len(self.density) - 0.5 - half)
        above = np.interp(centre + half, edges, running)
        below = np.interp(centre - half, edges, running)
        return np.asarray((above - below) / (2.0 * half))


def noise_spectrum(
    silences: Sequence[FloatArray], *, rate_hz: float, step: float = 0.0
) -> NoiseSpectrum | None:
    """Average the spectra of overlapping Hann-windowed stretches of silence (Welch 1967).

    A silence can be quieter than the noise that rounding adds to a signal: the density is
    never below that of rounding to ``step``, whose mean square is step²/12.

    Stretches in which something else is heard besides are left out, as long as most are not.

    Returns None when the silences are shorter than one stretch.
    """
    length = int(SEGMENT_S * rate_hz) // 2 * 2
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(length) / length)
    places, powers = [], []
    for number, silence in enumerate(silences):
        for first in range(0, len(silence) - length + 1, length // 2):
            spectrum = np.fft.rfft(silence[first : first + length] * window)
            powers.append(spectrum.real**2 + spectrum.imag**2)
            places.append((number, first))
    if not powers:
        return None
    unlike = _unlike_the_others(powers)
    kept = [power for power, out in zip(powers, unlike, strict=True) if not out]
    density = 2.0 * np.sum(kept, axis=0) / (len(kept) * rate_hz * np.sum(window**2))
    rounding = step**2 / 12.0 / (rate_hz / 2.0)
    segments = independent_segments(len(kept))
    left_out = _joined([place for place, out in zip(places, unlike, strict=True) if out], length)
    return NoiseSpectrum(rate_hz / length, np.maximum(density, rounding), segments, left_out)


def independent_segments(stretches: int) -> float:
    """Return how many independent ones so many overlapping stretches are worth."""
    return stretches / (1.0 + 2.0 * SEGMENTS_ALIKE * (1.0 - 1.0 / stretches))


def stretches_in(silence_s: float) -> int:
    """Return how many overlapping stretches a silence of a length holds."""
    return max(0, int(2.0 * (silence_s / SEGMENT_S - 1.0) + 1e-6) + 1) if silence_s > 0.0 else 0


def _unlike_the_others(powers: Sequence[FloatArray]) -> list[bool]:
    """Tell which stretches are louder in a band than most; none where half of them or more are."""
    if len(powers) < LEAST_STRETCHES:
        return [False] * len(powers)
    edges = np.unique(np.geomspace(8.0, len(powers[0]), BANDS).astype(np.int64))
    bands = np.array([np.add.reduceat(power, edges[:-1]) for power in powers])
    usual = np.median(bands, axis=0)
    # Of the powers of as many independent bins the mean exceeds this about once in 10⁹ stretches.
    spread = 6.0 / np.sqrt(np.diff(edges) / CELLS_ALIKE)
    limit = WANDERS * (1.0 - spread**2 / 324.0 + spread / 3.0) ** 3
    unlike = np.any(bands > limit * usual, axis=1) & np.all(usual > 0.0)
    return unlike.tolist() if 2 * np.sum(unlike) < len(powers) else [False] * len(powers)


def _joined(places: Sequence[tuple[int, int]], length: int) -> tuple[tuple[int, int, int], ...]:
    """Return overlapping stretches as one: the silence, first sample, and one past the last."""
    joined: list[tuple[int, int, int]] = []
    for number, first in places:
        if joined and joined[-1][0] == number and joined[-1][2] >= first:
            joined[-1] = (number, joined[-1][1], first + length)
        else:
            joined.append((number, first, first + length))
    return tuple(joined)


def describe_background(noise: NoiseSpectrum, settings: TakeSettings) -> Background:
    """Level of the background over the measured band, A-weighted level, and mains hum."""
    band_hz, level_offset_db = settings.band_hz, settings.level_offset_db
    first = max(1, int(np.ceil(band_hz[0] / noise.bin_hz)))
    frequency_hz = np.arange(float(first), int(band_hz[1] / noise.bin_hz) + 1) * noise.bin_hz
    # A sine of peak 1 has the mean square ½: that is 0 dBFS.
    power = 2.0 * noise.bin_hz * noise.density[first : first + len(frequency_hz)]
    power = power * db_to_power(-settings.correction_db(frequency_hz))
    weighted = power * db_to_power(a_weighting_db(frequency_hz))
    hum = _hum(frequency_hz, power, noise.bin_hz)
    return Background(
        level_db=float(power_to_db(np.sum(power))) + level_offset_db,
        a_weighted_db=float(power_to_db(np.sum(weighted))) + level_offset_db,
        hum=[Tone(f, level_db + level_offset_db) for f, level_db in hum],
    )


def _hum(frequency_hz: FloatArray, power: FloatArray, bin_hz: float) -> list[tuple[float, float]]:
    """Return frequency and level (dB re a full-scale sine) of lines at mains multiples.

    The mains frequency is the one with more lines; a line shared by both counts for both.
    """
    best: list[tuple[float, float]] = []
    nearest, furthest = BESIDE_BINS
    for mains_hz in MAINS_HZ:
        lines = []
        for multiple in range(1, HUM_MULTIPLES + 1):
            centre = round((mains_hz * multiple - frequency_hz[0]) / bin_hz)
            if not furthest <= centre < len(power) - furthest:
                continue
            line = power[centre - LINE_BINS : centre + LINE_BINS + 1]
            around = np.concatenate(
                [
                    power[centre - furthest : centre - nearest + 1],
                    power[centre + nearest : centre + furthest + 1],
                ]
            )
            usual = float(np.median(around))
            excess = float(np.sum(line)) - len(line) * usual
            if np.max(line) > db_to_power(HUM_ABOVE_DB) * usual and excess > 0.0:
                lines.append((mains_hz * multiple, float(power_to_db(excess))))
        if len(lines) > len(best):
            best = lines
    return best
