"""Markers in a recording of any length, block by block, and which two of them belong together."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from distsweep.stimulus.marker import Marker
from distsweep.takes.placement import LARGEST_DRIFT, best_places, normalised_correlation
from distsweep.takes.sound_file import SoundFile, blocks
from distsweep.units import FloatArray

Searching = Callable[[str, float], None]
"""Called with a recording's name and the share of it that was searched, 0 to 1."""

AS_CLEAR = 0.4
"""A run's markers match at least this share as well as those of the clearest run in the recording
(chosen: a marker in noise 7 dB louder in its band matches by 1/√(1 + 5) = 0.4 of a clear one)."""


def marker_places(
    sound: SoundFile,
    marker: Marker,
    *,
    channel: int,
    mean_power: float,
    searching: Searching | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Return places in a channel that may be markers (samples, sorted), and how well they match.

    They are looked for as `placement` does, in a copy averaged down to a few kilohertz; of each
    block its best places stay. ``mean_power`` is the channel's mean square.
    """
    step = max(1, int(sound.rate_hz / (2.6 * marker.start_hz)))
    chirp = marker.waveform(rate_hz=sound.rate_hz / step).astype(np.float32)
    places: list[Any] = []
    matches: list[Any] = []
    rest, begin = np.empty(0, dtype=np.float32), 0
    length = step * 2**17
    for first, block in blocks(sound, length=length):
        samples = block[:, channel - 1]
        whole = samples[: len(samples) // step * step].reshape(-1, step)
        short = np.concatenate([rest, np.einsum("ij->i", whole).astype(np.float32)])
        if len(short) > len(chirp):
            power = step**2 * mean_power
            found, best = best_places(
                normalised_correlation(short, chirp, mean_power=power), len(chirp)
            )
            places.append((begin + found) * float(step))
            matches.append(best)
            # A lag needs a whole chirp: those of which a part lies in the next block wait for it.
            begin += len(short) - len(chirp) + 1
            short = short[len(short) - len(chirp) + 1 :]
        rest = short
        if searching is not None:
            searching(sound.path.name, min(1.0, (first + length) / sound.samples))
    if not places:
        return np.empty(0), np.empty(0)
    return _apart(np.concatenate(places), np.concatenate(matches), 0.5 * len(chirp) * step)


def _apart(places: FloatArray, matches: FloatArray, least: float) -> tuple[FloatArray, FloatArray]:
    """Leave out the worse of two neighbours that two blocks found for one marker."""
    kept: list[int] = []
    for number in range(len(places)):
        if kept and places[number] - places[kept[-1]] < least:
            if matches[number] > matches[kept[-1]]:
                kept[-1] = number
        else:
            kept.append(number)
    return places[kept], matches[kept]


def marker_pairs(
    places: FloatArray,
    matches: FloatArray,
    *,
    spacing: float,
    chirp: float,
    largest: float = LARGEST_DRIFT,
) -> list[tuple[int, int]]:
    """Return which places are start and end markers of runs, clearest first chosen, in order.

    No run reaches into another. ``spacing`` and ``chirp``, the marker's length, are in samples;
    ``largest`` is the share by which the distance may differ.
    """
    possible: list[tuple[float, int, int]] = []
    nearest = np.searchsorted(places, places + spacing * (1.0 - largest))
    furthest = np.searchsorted(places, places + spacing * (1.0 + largest))
    for start in range(len(places)):
        for end in range(int(nearest[start]), int(furthest[start])):
            possible.append((float(min(matches[start], matches[end])), start, end))
    possible.sort(key=lambda pair: (-pair[0], pair[1]))
    taken: list[tuple[int, int]] = []
    for match, start, end in possible:
        clear = match >= AS_CLEAR * possible[0][0]
        if clear and all(
            places[end] + chirp <= places[first] or places[start] >= places[last] + chirp
            for first, last in taken
        ):
            taken.append((start, end))
    return sorted(taken)
