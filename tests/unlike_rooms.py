"""Furnished rectangular rooms by image sources, with walls that differ and absorption by octave.

Every source is heard at every microphone by its own images (Allen and Berkley, JASA 65, 1979).
Each of six walls returns its own share in each octave from 125 Hz to 8 kHz; sources beam as
pistons in a cabinet do, their images mirrored. Arrivals are on whole samples at 96 kHz. The octaves
are put together by weights over log frequency. Nothing here uses the package's signal processing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft

SOUND_M_S = 343.0
RATE_HZ = 96000
OCTAVES_HZ = 125.0 * 2.0 ** np.arange(7)

LATENCY_S = 0.01
"""Everything is late by so much: weights over frequency ring before an arrival, too."""

SLOWER_THAN_EYRING = 1.3
"""How much longer these rooms ring from −5 to −25 dB than Eyring's formula says, about: walls
differ, and nothing scatters. The unit test holds what is heard against what is drawn."""

STEPS = 128
"""Steps of the cosine of an angle in the tables of directivity."""


@dataclass(frozen=True)
class Source:
    """A thing that radiates: its place and its size, in m; ``cabinet_m`` shades its rear."""

    place_m: np.ndarray
    radius_m: float
    cabinet_m: float = 0.12


@dataclass(frozen=True)
class Room:
    """A room and the way a loudspeaker in it faces.

    ``decay_s`` by octave, as drawn. ``exponents``: −ln of the share of energy that a wall returns,
    shape ``(octaves, 6)``, walls in the order of the axes, the one at 0 first.
    """

    sides_m: np.ndarray
    facing: np.ndarray
    decay_s: np.ndarray
    exponents: np.ndarray

    @classmethod
    def draw(cls, rng: np.random.Generator) -> Room:
        """Draw a furnished room of 0.25 to 0.6 s at 1 kHz; in one of three the floor is bare."""
        sides_m = np.array([rng.uniform(3.5, 7.0), rng.uniform(3.0, 5.0), rng.uniform(2.3, 3.0)])
        times_s = rng.uniform(0.25, 0.6) * np.interp(
            np.arange(7.0) - 3.0,
            [-3.0, 0.0, 3.0],
            [rng.uniform(1.0, 1.6), 1.0, rng.uniform(0.5, 0.85)],
        )
        volume_m3 = float(np.prod(sides_m))
        areas_m2 = np.repeat(volume_m3 / sides_m, 2)
        ends = np.exp(rng.uniform(np.log(0.5), np.log(2.0), (2, 6)))
        share = np.linspace(0.0, 1.0, 7)[:, None]
        weights = ends[0] ** (1.0 - share) * ends[1] ** share
        if rng.random() < 1.0 / 3.0:
            weights[:, 4] *= 0.3
        weights /= (weights @ areas_m2 / np.sum(areas_m2))[:, None]
        mean = SLOWER_THAN_EYRING * 0.161 * volume_m3 / (np.sum(areas_m2) * times_s)
        turn = np.radians(rng.uniform(-20.0, 20.0))
        facing = np.array([np.cos(turn), np.sin(turn), 0.0])
        return cls(sides_m, facing, times_s, mean[:, None] * weights)

    def taps(self, source: Source, heard_m: np.ndarray, *, free: bool = False) -> np.ndarray:
        """Return an impulse response at 48 kHz, re the direct sound at 1 m, ``LATENCY_S`` late.

        It ends where the slowest octave has fallen by some 45 dB; ``free``: direct sound only.
        """
        reach_m = 1.0 + 0.75 * float(np.max(self.decay_s[1:])) * SOUND_M_S
        away_m, cosine, shares = self._images(source, heard_m, 0.0 if free else reach_m)
        late_s = LATENCY_S + away_m / SOUND_M_S
        length = round((2.0 * LATENCY_S + (reach_m + 1.0) / SOUND_M_S) * RATE_HZ)
        size = scipy.fft.next_fast_len(length, real=True)
        size += size % 4 and 4 - size % 4
        sample = np.rint(late_s * RATE_HZ).astype(np.int64)
        # No nearer than half a radius: so loud is a piston in front of its middle.
        spread = 1.0 / np.hypot(away_m, 0.5 * source.radius_m)
        step = np.rint((cosine + 1.0) * (0.5 * STEPS)).astype(np.int64)
        beams = _directivity(source)
        frequency_hz = scipy.fft.rfftfreq(size, 1.0 / RATE_HZ)[: size // 4 + 1]
        octave = np.clip(np.log2(np.maximum(frequency_hz, 1.0) / OCTAVES_HZ[0]), 0.0, 6.0)
        total = np.zeros(len(frequency_hz), dtype=complex)
        for k in range(7):
            amplitude = spread * shares[k] * beams[k][step]
            heard = np.bincount(sample, amplitude, size)
            near = np.maximum(0.0, 1.0 - np.abs(octave - k))
            total += np.sin(0.5 * np.pi * near) ** 2 * scipy.fft.rfft(heard)[: len(total)]
        total[-1] = 0.0
        return np.asarray(scipy.fft.irfft(total, size // 2))

    def _images(
        self, source: Source, heard_m: np.ndarray, reach_m: float
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return of every image its distance, the cosine of its angle, and what walls left it."""
        axes = []
        for i in range(3):
            number = np.arange(
                -int(reach_m / (2.0 * self.sides_m[i])) - 1,
                int(reach_m / (2.0 * self.sides_m[i])) + 2,
            )
            if reach_m == 0.0:
                number = np.zeros(1, dtype=int)
            cells = np.concatenate([number, number])
            turned = np.repeat([0, 1], len(number))
            if reach_m == 0.0:
                cells, turned = cells[:1], turned[:1]
            image_m = 2.0 * cells * self.sides_m[i] + (1 - 2 * turned) * source.place_m[i]
            met = np.stack([np.abs(cells - turned), np.abs(cells)])
            shares = np.exp(-0.5 * self.exponents[:, 2 * i : 2 * i + 2] @ met)
            away_m = heard_m[i] - image_m
            axes.append((away_m, (1 - 2 * turned) * self.facing[i] * away_m, shares))
        (x, facing_x, share_x), (y, facing_y, share_y), (z, facing_z, share_z) = axes
        square = (x**2)[:, None, None] + (y**2)[None, :, None] + (z**2)[None, None, :]
        i, j, k = np.nonzero(square <= reach_m**2) if reach_m else np.nonzero(square >= 0.0)
        away_m = np.sqrt(square[i, j, k])
        ahead = facing_x[i] + facing_y[j] + facing_z[k]
        plane = share_x[:, :, None] * share_y[:, None, :]
        shares = plane[:, i, j] * share_z[:, k]
        return away_m, np.clip(ahead / np.maximum(away_m, 1e-6), -1.0, 1.0), shares


def _directivity(source: Source) -> np.ndarray:
    """Return the amplitude re on axis, by octave and cosine, shape ``(octaves, STEPS + 1)``.

    The cabinet shades what is behind it once it is as large as the waves; the piston beams.
    """
    cosine = np.linspace(-1.0, 1.0, STEPS + 1)
    wave_number = 2.0 * np.pi * OCTAVES_HZ[:, None] / SOUND_M_S
    cabinet = (wave_number * source.cabinet_m) ** 2
    rear = 0.8 * cabinet / (1.0 + cabinet)
    shading = (1.0 + rear * cosine) / (1.0 + rear)
    across = (wave_number * source.radius_m) ** 2 * (1.0 - cosine**2)
    return np.asarray(shading / np.sqrt(1.0 + across / 4.0))
