"""Finding a stimulus in a recording by its markers, and the drift of the recorder's clock."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from distsweep.errors import InputError, NoSignalError
from distsweep.fast_length import fast_length
from distsweep.stimulus.marker import Marker
from distsweep.stimulus.sidecar import StimulusFile
from distsweep.takes.recording import Recording
from distsweep.units import FloatArray, IntArray

LEAST_MATCH = 0.12
"""Normalised correlation from which a place may be a marker (chosen: the largest of a minute
of pure noise is about 0.09, and 0.12 is reached in noise 15 dB above the marker)."""

SURE_MATCH = 0.3
"""Normalised correlation from which a single marker is believed without its partner
(chosen: over twice that of a possible place, as nothing confirms it)."""

LARGEST_DRIFT = 2e-3
"""Largest difference of two clocks that is believed (chosen: converters keep 100 ppm, tape
and streaming do not belong here)."""

LARGEST_SPEED = 0.021
"""Largest departure of a player's or a recorder's speed that is believed (chosen: tape machines,
and rates that a thousandth or a fiftieth was taken off). Past LARGEST_DRIFT the markers themselves
must be as much longer or shorter as their distance."""

LEAST_RATE_OF_MARKER = 2.6
"""Lowest rate of a recording, over the marker's highest frequency (chosen: half of it lies 1.3
times above that frequency, and the search for markers averages down to no lower one)."""

CLEARER = 2.0
"""Markers that stand where no two clocks put them are believed if they match so many times better
than those that do (chosen: an echo of a marker, or a sweep, matches half as well at best)."""

CANDIDATES = 40
"""Number of best places that are tried as start and end (chosen: a file has two markers; its rungs
and echoes match at more places)."""

COMPARED_S, COMPARED_PERIODS = 0.003, 8.0
"""Half the stretch of the markers' correlation that is compared to find the drift: the first, or
the second in periods of the marker's highest frequency if that is longer (chosen: it holds the
direct sound)."""


@dataclass(frozen=True)
class Placement:
    """Where a stimulus lies in a recording: recorded = offset + scale · stimulus, in samples.

    ``markers`` tells which were found: "both", "start" or "end"; with one only, the clocks are
    alike by assumption. ``match`` is the normalised correlation of the weaker marker found.
    "sweeps" or "sweep": it was placed by several of its sweeps, or by its only one.
    ``rate_ratio`` is the recording's rate over the stimulus's. ``clock_known``: the scale is a
    loop-back's. ``middle`` is the surest sample of the stimulus, at the marker or between both.
    """

    offset_samples: float
    scale: float
    markers: str
    match: float
    rate_ratio: float = 1.0
    clock_known: bool = False
    middle: float = 0.0

    def at(self, stimulus_sample: float) -> float:
        """Return the place in the recording of a sample of the stimulus."""
        return self.offset_samples + self.scale * stimulus_sample

    @property
    def clock_scale(self) -> float:
        """Recorded length over played length, each in seconds by its own rate."""
        return self.scale / self.rate_ratio

    @property
    def clock_drift_ppm(self) -> float | None:
        """The same minus one, in parts per million; None where it is not known."""
        known = self.clock_known or self.markers in ("both", "sweeps")
        return (self.clock_scale - 1.0) * 1e6 if known else None


def place_stimulus(
    recording: Recording, *, marker: Marker, file: StimulusFile, moved_s: float = 0.0
) -> Placement:
    """Find a stimulus in a recording, whatever its rate, gain, polarity and start.

    The markers may stand ``moved_s`` further or less far apart than any two clocks put them.

    Raises
    ------
    InputError
        The recording's rate is too low for the markers, or it does not hold this stimulus.
    """
    check_rate(recording.path, recording.rate_hz, marker)
    ratio = recording.rate_hz / marker.rate_hz
    places, matches = _candidates(recording, marker)
    spacing = (file.end_marker_sample - file.start_marker_sample) * ratio
    pair = _best_pair(places, matches, spacing, LARGEST_DRIFT * spacing)
    if pair is None:
        pair = _pair_at_speed(recording, marker, places, matches, spacing)
    if moved_s > 0.0:
        loose = _best_pair(places, matches, spacing, moved_s * recording.rate_hz)
        pair = _clearer(pair, loose, matches)
    if pair is None:
        return _place_by_one(recording, marker, file, places, matches)
    start, end = (int(places[i]) for i in pair)
    start_curve, end_curve = (
        _correlation_around(recording, marker, place) for place in (start, end)
    )
    scale = ratio * (end - start + shift_between(start_curve, end_curve)) / spacing
    centre = len(start_curve) // 2
    fine = int(np.argmax(np.abs(start_curve))) - centre
    return Placement(
        offset_samples=start + fine - scale * file.start_marker_sample,
        scale=scale,
        markers="both",
        match=float(min(matches[i] for i in pair)),
        rate_ratio=ratio,
        middle=0.5 * (file.start_marker_sample + file.end_marker_sample),
    )


def check_rate(path: Path, rate_hz: int, marker: Marker) -> None:
    """Refuse a recording whose rate is too low for the markers.

    Raises
    ------
    InputError
        It is.
    """
    if rate_hz < LEAST_RATE_OF_MARKER * marker.start_hz:
        raise InputError(
            f"{path}: was recorded at {rate_hz} Hz, too low for the stimulus's markers:"
            f" record at {math.ceil(LEAST_RATE_OF_MARKER * marker.start_hz)} Hz or more"
        )


def _candidates(recording: Recording, marker: Marker) -> tuple[FloatArray, FloatArray]:
    """Return the places (samples) and normalised correlations of what may be markers.

    The search runs on a recording averaged down to a few kilohertz, where the marker lives:
    position to a fraction of a millisecond is enough here.
    """
    samples, rate_hz = recording.samples, recording.rate_hz
    step = max(1, int(rate_hz / (2.6 * marker.start_hz)))
    whole = samples[: len(samples) // step * step].reshape(-1, step)
    # Single precision: a place is sought here, not a level, and it takes half the memory.
    short = np.einsum("ij->i", whole).astype(np.float32)
    chirp = marker.waveform(rate_hz=rate_hz / step).astype(np.float32)
    if len(short) <= len(chirp):
        return np.empty(0), np.empty(0)
    order, best = best_places(normalised_correlation(short, chirp), len(chirp))
    return (order * step).astype(np.float64), best


def best_places(match: FloatArray, chirp_samples: int) -> tuple[IntArray, FloatArray]:
    """Return the lags at which a marker may be, sorted, and their matches; ``CANDIDATES`` at most.

    ``match`` is a normalised correlation with a marker of so many samples, lag by lag.
    """
    # The largest match of every half chirp's length; of two in reach, the larger stays.
    block = chirp_samples // 2
    padded = np.pad(match, (0, -len(match) % block)).reshape(-1, block)
    best = np.argmax(padded, axis=1) + block * np.arange(len(padded))
    best = best[match[np.minimum(best, len(match) - 1)] >= LEAST_MATCH]
    kept: list[int] = []
    for place in best[np.argsort(-match[best])]:
        if len(kept) < CANDIDATES and all(abs(place - other) >= block for other in kept):
            kept.append(int(place))
    order = np.array(sorted(kept), dtype=np.int64)
    return order, match[order].astype(np.float64)


def normalised_correlation(
    signal: Any, chirp: Any, *, mean_power: float | None = None
) -> FloatArray:
    """Return |correlation| over what identical shapes would give, 0…1, per lag.

    ``mean_power`` is that of the recording that the signal is a part of; None: the signal is all
    of it. Stretches far below the signal's overall power are not blown up: there the power of
    60 dB below the mean stands in. Else a faint copy of a marker, in a silence without noise,
    would match as well as the marker.
    """
    lags = len(signal) - len(chirp) + 1
    # Overlapping blocks of a few chirps: short transforms stay in the processor's cache.
    block = fast_length(5 * len(chirp))
    step = block - len(chirp) + 1
    count = -(-lags // step)
    padded = np.pad(signal, (0, max(0, (count - 1) * step + block - len(signal))))
    blocks = np.lib.stride_tricks.sliding_window_view(padded, block)[::step][:count]
    spectra = np.fft.rfft(blocks, axis=1)
    spectra *= np.conj(np.fft.rfft(chirp, block))
    correlation = np.abs(np.fft.irfft(spectra, block, axis=1)[:, :step]).reshape(-1)[:lags]
    energy = np.zeros(len(signal) + 1)
    np.cumsum(signal.astype(float) ** 2, out=energy[1:])
    local = energy[len(chirp) :] - energy[: len(energy) - len(chirp)]
    mean_power = energy[-1] / len(signal) if mean_power is None else mean_power
    least = 1e-6 * mean_power * len(chirp) + 1e-300
    np.maximum(local, least, out=local)
    local *= np.sum(chirp**2)
    return np.asarray(correlation / np.sqrt(local, out=local))


def _best_pair(
    places: FloatArray, matches: FloatArray, spacing: float, within: float
) -> tuple[int, int] | None:
    """Return the two candidates that stand as far apart as start and end marker should.

    Their distance may differ by ``within``, in samples.
    """
    best, best_match = None, 0.0
    for i, start in enumerate(places):
        for j in range(i + 1, len(places)):
            together = min(matches[i], matches[j])
            fits = abs(places[j] - start - spacing) < within
            if fits and together > best_match:
                best, best_match = (i, j), together
    return best


def _pair_at_speed(
    recording: Recording,
    marker: Marker,
    places: FloatArray,
    matches: FloatArray,
    spacing: float,
) -> tuple[int, int] | None:
    """Return two candidates that another speed explains: their chirps ran at it as well."""
    pair = _best_pair(places, matches, spacing, LARGEST_SPEED * spacing)
    if pair is None:
        return None
    speed = (places[pair[1]] - places[pair[0]]) / spacing
    for place in places[list(pair)]:
        as_played, at_speed = (
            float(np.max(np.abs(_correlation_around(recording, marker, int(place), scale=scale))))
            for scale in (1.0, speed)
        )
        if at_speed**2 <= as_played**2 * speed:  # a longer chirp has more energy
            return None
    return pair


def _clearer(
    near: tuple[int, int] | None, loose: tuple[int, int] | None, matches: FloatArray
) -> tuple[int, int] | None:
    """Return the pair that stands as two clocks put it, unless another is far clearer."""
    if near is None or loose is None:
        return loose if near is None else near
    clear, other = (min(matches[i] for i in pair) for pair in (near, loose))
    return loose if other > CLEARER * clear else near


def _place_by_one(
    recording: Recording,
    marker: Marker,
    file: StimulusFile,
    places: FloatArray,
    matches: FloatArray,
) -> Placement:
    """Place a stimulus by its only marker, as start or end, whichever leaves more rungs."""
    ratio = recording.rate_hz / marker.rate_hz
    check_only_marker(recording.path, marker, file, places / ratio, matches)
    place = places[int(np.argmax(matches))]
    curve = _correlation_around(recording, marker, int(place))
    place += int(np.argmax(np.abs(curve))) - len(curve) // 2
    match = float(np.max(matches))
    as_start, as_end = (
        Placement(float(place - ratio * sample), ratio, name, match, ratio, middle=sample)
        for name, sample in (("start", file.start_marker_sample), ("end", file.end_marker_sample))
    )
    start_holds, end_holds = (_rungs_inside(recording, file, one) for one in (as_start, as_end))
    return as_start if start_holds >= end_holds else as_end


def check_only_marker(
    path: Path, marker: Marker, file: StimulusFile, places: FloatArray, matches: FloatArray
) -> None:
    """Refuse places of which not exactly one is surely a marker, and none stand as a pair should.

    Parameters
    ----------
    places, matches : of what may be markers, in samples at the marker's rate, sorted.

    Raises
    ------
    InputError
        None is one for sure (a `NoSignalError`), or several are.
    """
    if not len(matches) or np.max(matches) < SURE_MATCH:
        raise NoSignalError(
            f"{path}: the stimulus's start and end markers were not found"
            f" (best match {np.max(matches, initial=0.0):.2f} of 1): is it a recording of this"
            " stimulus, on this channel, and loud enough?"
        )
    if np.sum(matches >= SURE_MATCH) > 1:
        found = places[matches >= SURE_MATCH]
        raise InputError(
            f"{path}: the markers stand {(found[-1] - found[0]) / marker.rate_hz:.3f} s"
            f" apart, in this stimulus they stand"
            f" {(file.end_marker_sample - file.start_marker_sample) / marker.rate_hz:.3f} s"
            " apart: give the sidecar of the stimulus that was played"
        )


def _rungs_inside(recording: Recording, file: StimulusFile, placement: Placement) -> int:
    played = [rung.start_sample for rung in file.rungs]
    played += [burst.start_sample for burst in file.bursts]
    return sum(0 <= placement.at(sample) < len(recording.samples) for sample in played)


def _correlation_around(
    recording: Recording, marker: Marker, place: int, *, scale: float = 1.0
) -> FloatArray:
    """Return the correlation with the marker, lag by lag, around a place found coarsely.

    ``scale`` is how much longer than played the marker is taken to have been recorded.
    """
    half = int(max(COMPARED_S, COMPARED_PERIODS / marker.start_hz) * recording.rate_hz)
    chirp = marker.waveform(rate_hz=recording.rate_hz * scale)
    first = place - half
    stretch = np.zeros(len(chirp) + 2 * half)
    inside = recording.samples[max(first, 0) : first + len(stretch)]
    stretch[max(-first, 0) : max(-first, 0) + len(inside)] = inside
    length = fast_length(len(stretch))
    spectrum = np.fft.rfft(stretch, length) * np.conj(np.fft.rfft(chirp, length))
    return np.asarray(np.fft.irfft(spectrum, length)[: 2 * half + 1])


def shift_between(start_curve: FloatArray, end_curve: FloatArray) -> float:
    """Return by how many samples the end marker's curve lies later than the start marker's.

    Both markers went through the same loudspeaker and room, so that their whole correlation
    curves are alike: comparing these is safer than comparing their peaks.
    """
    both = np.correlate(end_curve, start_curve, mode="full")
    best = int(np.argmax(both))
    shift = float(best - (len(start_curve) - 1))
    if 0 < best < len(both) - 1:
        before, at, after = both[best - 1 : best + 2]
        shift += 0.5 * (before - after) / (before - 2.0 * at + after)
    return shift
