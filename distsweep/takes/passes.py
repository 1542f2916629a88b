"""The sweeps of a take as they lie in its recordings, and whether they are alike in time.

Every sweep of a ladder is the same sound at another level, heard through the same loudspeaker and
room. So one sweep tells when each frequency of the next one should arrive, to a fraction of a
sample, whatever the loudspeaker's response is.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.stimulus.sidecar import LadderStimulus
from distsweep.stimulus.sweep import Sweep
from distsweep.takes.placement import Placement
from distsweep.takes.recorded_band import BAND_OF_RATE
from distsweep.takes.recording import Recording
from distsweep.units import ComplexArray, FloatArray, IntArray

FRAME_S = 2048 / 48000.0
"""Length of the frames in which two sweeps are compared (chosen: twelve periods of 300 Hz, and of
24 frames together a tenth of a sweep of 8 s)."""

LOWEST_HZ, LOWEST_OF_BAND = 200.0, 4.0
"""Frames are compared from the first on, or from so many times the lowest frequency at full level
(chosen: below it the suspension moves phases with level)."""

COHERENT = 0.05
"""Share of a frame's energy that is the sweep's own frequency from which its phase is known
(chosen: noise gives 0.001, a room of 0.6 s a fifth)."""

FADED = 4.0
"""A sweep that had so many times the share in the one before, and has less than it now, sounds at
another time (chosen: from rung to rung the share moves by less)."""

APART_SAMPLES, APART_RAD = 1.2, 0.35
"""Sweeps lie apart where a frame's phase differs by more than both of these, one a delay, one a
phase (chosen: the least block that is looked for is 16 samples, and even 16 spread over ten sweeps
are 1.6; the phase of a loudspeaker above 200 Hz moves by less than 20° from rung to rung)."""


@dataclass(frozen=True)
class PlayedPass:
    """One sweep: its file, the row of its rung, its number among the rung's passes, its start.

    ``start_sample`` counts in the stimulus's file, at the rate of its recording.
    """

    file: int
    row: int
    number: int
    start_sample: float


def played_passes(stimulus: LadderStimulus, rate_hz: int) -> list[PlayedPass]:
    """Return all sweeps of a ladder in the order played, in samples of a recording's rate."""
    ratio = rate_hz / stimulus.sweep.rate_hz
    passes: list[PlayedPass] = []
    row = -1
    for number, file in enumerate(stimulus.files):
        for rung in file.rungs:
            row += rung.repeat == 0
            passes.append(PlayedPass(number, row, rung.repeat, ratio * rung.start_sample))
    return passes


def third_octaves(sweep: Sweep, lowest_hz: float) -> FloatArray:
    """Return frequencies a third of an octave apart at which the sweep has its full level.

    They end where the sampling rate's band does.
    """
    highest_hz = min(sweep.full_to_hz, BAND_OF_RATE * sweep.rate_hz)
    thirds = int(3.0 * np.log2(highest_hz / lowest_hz))
    return np.asarray(lowest_hz * 2.0 ** (np.arange(max(thirds, 0) + 1) / 3.0))


def passes_apart(
    stimulus: LadderStimulus, recordings: Sequence[Recording], placements: Sequence[Placement]
) -> bool:
    """Tell whether some sweep does not lie where its neighbour and the markers put it.

    This is cheap, and no proof: a loudspeaker whose phase depends on the level looks the same.
    """
    rate_hz = recordings[0].rate_hz
    sweep = stimulus.sweep.at_rate(rate_hz)
    lowest_hz = max(LOWEST_HZ, LOWEST_OF_BAND * sweep.full_from_hz)
    frequency_hz = third_octaves(sweep, lowest_hz)
    frames = _Frames(sweep, frequency_hz)
    heard = [
        frames.heard(recordings[one.file].samples, placements[one.file], one.start_sample)
        for one in played_passes(stimulus, rate_hz)
    ]
    whole = [one for one in heard if one is not None]
    allowed = np.maximum(APART_RAD, 2.0 * np.pi * frequency_hz / sweep.rate_hz * APART_SAMPLES)
    for (before, before_share), (after, after_share) in itertools.pairwise(whole):
        known = (before_share > COHERENT) & (after_share > COHERENT)
        if np.any(known & (np.abs(np.angle(after * np.conj(before))) > allowed)):
            return True
        if np.any((before_share > FADED * COHERENT) & (after_share < COHERENT)):
            return True
    return False


class _Frames:
    """Short parts of a sweep, each turned back by the sweep's own phase and added up."""

    def __init__(self, sweep: Sweep, frequency_hz: FloatArray) -> None:
        self.frequency_hz, self.rate_hz = frequency_hz, sweep.rate_hz
        self.length = round(FRAME_S * sweep.rate_hz)
        self.window = np.sin(np.pi * (np.arange(self.length) + 0.5) / self.length) ** 2
        self.sweep = sweep
        self._turned: tuple[float, ComplexArray] | None = None

    def heard(
        self, samples: FloatArray, placement: Placement, start_sample: float
    ) -> tuple[ComplexArray, FloatArray] | None:
        """Return amplitude and share of the sweep's own frequency; None if not all was recorded."""
        exact = placement.at(start_sample / placement.rate_ratio)
        first = round(exact)
        scaled = self.sweep.as_recorded(placement.clock_scale)
        centres_s = scaled.time_of_s(self.frequency_hz)
        places = np.round(centres_s * self.rate_hz).astype(np.int64) - self.length // 2
        if first + places[0] < 0 or first + places[-1] + self.length > len(samples):
            return None
        parts = samples[first + places[:, None] + np.arange(self.length)]
        turned = self._phasors(scaled, places, placement.clock_scale)
        amplitude = np.einsum("ij,ij->i", parts, turned)
        energy = np.einsum("ij,ij,j->i", parts, parts, self.window)
        share = np.abs(amplitude) ** 2 / np.maximum(energy * np.sum(self.window) / 2.0, 1e-300)
        late = np.exp(2j * np.pi * self.frequency_hz / self.rate_hz * (exact - first))
        return amplitude * late, share

    def _phasors(self, sweep: Sweep, places: IntArray, scale: float) -> ComplexArray:
        """Return the sweep's negative phase over every frame; kept for sweeps of one clock."""
        if self._turned is None or self._turned[0] != scale:
            time_s = (places[:, None] + np.arange(self.length)) / self.rate_hz
            phase = 2.0 * np.pi * sweep.rate_constant_s * sweep.frequency_at_hz(time_s)
            self._turned = scale, self.window * np.exp(-1j * phase)
        return self._turned[1]
