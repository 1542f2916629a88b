"""A rectangular room by image sources (Allen and Berkley, JASA 65, 1979): a linear filter.

Every wall reflects by the same share, which falls with frequency; arrivals are on whole samples;
loudspeaker and microphone have no directivity. The tail ends 45 dB below its start. Nothing here
uses the package's signal processing.
"""

from __future__ import annotations

import numpy as np
import scipy.fft
import scipy.signal

SOUND_M_S = 343.0

SLOWER_THAN_EYRING = 2.0
"""Of 40 rooms drawn here the tails fall from −5 to −25 dB in twice Eyring's time, in the median:
sound along the longest side meets few walls. With this, in 0.67 to 1.15 of what is asked for."""


def shoebox(rng: np.random.Generator, rate_hz: int, *, decay_s: float) -> np.ndarray:
    """Return an impulse response that falls by 60 dB in ``decay_s`` at 1 kHz; direct sound first.

    By Eyring's formula, T = 0.161·V/(−S·ln(1 − α)), corrected by ``SLOWER_THAN_EYRING``. At 125 Hz
    the decay is a quarter longer, at 8 kHz half as long. The microphone is 0.5 to 1.5 m away.
    """
    sides_m = np.array([rng.uniform(3.2, 6.5), rng.uniform(2.7, 5.0), rng.uniform(2.3, 3.0)])
    source_m = sides_m * rng.uniform(0.25, 0.75, 3)
    way = rng.standard_normal(3)
    heard_m = source_m + rng.uniform(0.5, 1.5) * way / np.linalg.norm(way)
    heard_m = np.clip(heard_m, 0.2, sides_m - 0.2)
    volume_m3 = float(np.prod(sides_m))
    surface_m2 = 2.0 * volume_m3 * float(np.sum(1.0 / sides_m))
    direct_m = float(np.linalg.norm(heard_m - source_m))
    reach_m = direct_m + 0.75 * decay_s * SOUND_M_S
    axes = [_images(source_m[i], heard_m[i], sides_m[i], reach_m) for i in range(3)]
    plane = axes[0][0][:, None] ** 2 + axes[1][0][None, :] ** 2
    walls = axes[0][1][:, None] + axes[1][1][None, :]
    near = plane < reach_m**2
    plane, walls = plane[near], walls[near]
    length = round((reach_m - direct_m) / SOUND_M_S * rate_hz) + 1
    most = int(np.max(walls) + np.max(axes[2][1])) + 1
    taps = np.zeros(most * length)
    for away_m, count in zip(*axes[2], strict=True):
        distance_m = np.sqrt(plane + away_m**2)
        inside = distance_m < reach_m
        distance_m = distance_m[inside]
        sample = np.rint((distance_m - direct_m) / SOUND_M_S * rate_hz).astype(np.int64)
        row = walls[inside] + count
        taps += np.bincount(row * length + sample, direct_m / distance_m, len(taps))
    size = scipy.fft.next_fast_len(2 * length, real=True)
    spectra = scipy.fft.rfft(taps.reshape(most, length), size, axis=1)
    frequency_hz = scipy.fft.rfftfreq(size, 1.0 / rate_hz)
    octave = np.log2(np.maximum(frequency_hz, 1.0) / 1000.0)
    times_s = decay_s / SLOWER_THAN_EYRING * np.interp(octave, [-3.0, 0.0, 3.0], [1.25, 1.0, 0.5])
    kept = np.exp(-0.5 * 0.161 * volume_m3 / (surface_m2 * times_s))
    total = np.zeros(len(frequency_hz), dtype=complex)
    for row in range(most - 1, -1, -1):
        total = total * kept + spectra[row]
    return np.asarray(scipy.fft.irfft(total, size)[:length])


def _images(
    source_m: float, heard_m: float, side_m: float, reach_m: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return distances along one axis to every image, and the walls that each has met."""
    number = np.arange(-int(reach_m / (2.0 * side_m)) - 1, int(reach_m / (2.0 * side_m)) + 2)
    same = 2.0 * number * side_m + source_m - heard_m
    turned = 2.0 * number * side_m - source_m - heard_m
    away_m = np.concatenate([same, turned])
    walls = np.concatenate([np.abs(2 * number), np.abs(2 * number - 1)])
    inside = np.abs(away_m) < reach_m
    return away_m[inside], walls[inside]


def heard_in(room: np.ndarray, sound: np.ndarray) -> np.ndarray:
    """Return a sound as it is heard in a room, same length."""
    return np.asarray(scipy.signal.oaconvolve(sound, room)[: len(sound)])
