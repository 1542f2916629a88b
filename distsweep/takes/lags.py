"""By how much later each frequency of a sweep arrives than the sweep before it lets expect."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.fast_length import fast_length
from distsweep.stimulus.sidecar import LadderStimulus
from distsweep.takes.passes import PlayedPass, played_passes, third_octaves
from distsweep.takes.placement import Placement
from distsweep.takes.recording import Recording
from distsweep.units import FloatArray, IntArray

REACH_S = 0.15
"""Arrivals are looked for within this of where the sweep before puts them (chosen: the longest
block that recorders lose, 4096 samples, is 93 ms at 44.1 kHz)."""

LOWEST_HZ, LOWEST_OF_BAND = 60.0, 1.5
"""Lags are read from the first frequency on, or from so many times the lowest at full level
(chosen: below it a third of an octave holds too few periods to tell one from the next)."""

LEAST_FRAME_S = 0.04
"""Shortest stretch whose lag is read (chosen: a third of an octave of the shortest sweeps)."""


@dataclass(frozen=True)
class Lags:
    """Lags of every pass, in samples, re the pass before it; of the first, re the sweep itself.

    Attributes
    ----------
    passes : in the order played.
    frequency_hz : lower ends of the frames, shape ``(K,)``; ``starts`` and ``widths`` are their
        places in the sweep, in samples.
    places : where each frame begins in its recording, shape ``(P, K)``.
    lags : samples later than expected, shape ``(P, K)``; expected is what the pass before it, and
        for the first pass of a file its start marker, make of it.
    likeness : normalised correlation at that lag, shape ``(P, K)``.
    rate_hz, sweep_samples : sampling rate, and length of a sweep.
    """

    passes: list[PlayedPass]
    frequency_hz: FloatArray
    starts: IntArray
    widths: IntArray
    places: IntArray
    lags: FloatArray
    likeness: FloatArray
    rate_hz: float
    sweep_samples: int


def pass_lags(
    stimulus: LadderStimulus, recordings: Sequence[Recording], placements: Sequence[Placement]
) -> Lags:
    """Correlate every sweep with the one before it, frame by frame of a third of an octave.

    Raises
    ------
    ValueError
        No sweep was recorded.
    """
    rate_hz = recordings[0].rate_hz
    sweep = stimulus.sweep.at_rate(rate_hz)
    edges_hz = third_octaves(sweep, max(LOWEST_HZ, LOWEST_OF_BAND * sweep.full_from_hz))
    starts = np.round(sweep.time_of_s(edges_hz) * rate_hz).astype(np.int64)
    widths = np.maximum(np.diff(starts), round(LEAST_FRAME_S * rate_hz))
    starts = starts[:-1]
    reach = round(REACH_S * rate_hz)
    chosen, places, lags, likeness = [], [], [], []
    waveform = sweep.waveform()
    source, source_places, source_start = waveform, starts, 0.0
    last_file = -1
    for played in played_passes(stimulus, rate_hz):
        samples = recordings[played.file].samples
        begins = round(placements[played.file].offset_samples + played.start_sample)
        if begins < 0 or begins + sweep.samples - reach > len(samples):
            continue
        later = played.start_sample - source_start
        expected, rounded = source_places + round(later), round(later) - later
        if played.file != last_file:
            expected, rounded = starts + begins, 0.0
        last_file = played.file
        found = [
            _lag(source[at : at + width], samples, int(there), reach)
            for at, width, there in zip(source_places, widths, expected, strict=True)
        ]
        lag = np.array([one[0] for one in found])
        source, source_start = samples, played.start_sample
        source_places = expected + np.round(lag).astype(np.int64)
        chosen.append(played)
        places.append(source_places)
        lags.append(lag + rounded)
        likeness.append([one[1] for one in found])
    if not chosen:
        raise ValueError("no sweep was recorded")
    return Lags(
        chosen, edges_hz[:-1], starts, widths,
        np.array(places), np.array(lags), np.array(likeness),
        float(rate_hz), sweep.samples,
    )  # fmt: skip


def _lag(part: FloatArray, samples: FloatArray, expected: int, reach: int) -> tuple[float, float]:
    """Return where a part is heard in a recording re an expected place, and how alike it is."""
    around = np.zeros(len(part) + 2 * reach)
    first = expected - reach
    inside = samples[max(first, 0) : max(first + len(around), 0)]
    around[max(-first, 0) : max(-first, 0) + len(inside)] = inside
    length = fast_length(len(around))
    spectrum = np.fft.rfft(around, length) * np.conj(np.fft.rfft(part, length))
    match = np.fft.irfft(spectrum, length)[: 2 * reach + 1]
    energy = np.cumsum(np.pad(around**2, (1, 0)))
    local = energy[len(part) :] - energy[: -len(part)]
    least = 1e-3 * energy[-1] / len(around) * len(part) + 1e-300
    match /= np.sqrt(np.maximum(local, least) * (np.sum(part**2) + 1e-300))
    best = min(max(int(np.argmax(np.abs(match))), 1), 2 * reach - 1)
    before, at, after = np.abs(match[best - 1 : best + 2])
    bend = before - 2.0 * at + after
    part_of_sample = 0.5 * (before - after) / bend if bend < 0.0 else 0.0
    return best - reach + float(np.clip(part_of_sample, -0.5, 0.5)), float(at)
