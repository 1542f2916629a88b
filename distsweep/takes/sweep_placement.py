"""Placing sweeps without markers in a recording: by their own responses."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from distsweep.errors import InputError, NoSignalError
from distsweep.fast_length import fast_length
from distsweep.stimulus.found_sweep import FoundStimulus
from distsweep.stimulus.sweep import Sweep
from distsweep.takes.placement import LARGEST_DRIFT, Placement, shift_between
from distsweep.takes.recorded_band import BAND_OF_RATE
from distsweep.takes.recording import Recording
from distsweep.units import FloatArray

SOUGHT_HZ = (100.0, 5000.0)
"""Band in which sweeps are sought (chosen: every driver of a small loudspeaker radiates in a part
of it, and rooms are quieter there than below)."""

ENVELOPE_S = 0.001
"""An arrival is that of the most energy in so short a time (chosen: a direct sound with its first
reflection from the cabinet)."""

REACH_S = 0.01
"""How far, besides the clocks' drift, a sweep may arrive from where another one puts it (chosen: a
reflection that is louder in one of two is 3 m longer)."""

CANDIDATES, APART_S = 20, 0.05
"""So many of the strongest arrivals, so far apart, are tried as each of the sweeps (chosen: five
sweeps and their second to fifth harmonics)."""

CLEAR, LEAST_SHARE = 100.0, 1e-9
"""Energy of an arrival over the recording's median from which it may be a sweep's (chosen: the
largest of a minute of noise alone is 25 times its median), and least share of the largest energy
that stands for that median where there is no noise (chosen: −90 dB)."""

OTHER_RUN = 0.01
"""Energy of an arrival over the strongest sweep's from which it is one of another run, if it lies
further than a sweep's length from all of this one's (chosen: a tenth of the pressure; two seconds
of sweep drawn together to a millisecond stand 33 dB above talk or noise as loud)."""

SMEARED_S = 0.001
"""Drift within a sweep from which it is placed once more with the clocks' scale (chosen: as long as
the envelope)."""

COMPARED_S = 0.003
"""Half the stretch of two sweeps' responses that is compared to tell their distance (chosen: it
holds the direct sound)."""


@dataclass(frozen=True)
class _Pattern:
    """Where a recording's sweeps arrive, in samples, and whether each is clear.

    ``elsewhere`` are arrivals of what must be sweeps of other runs.
    """

    places: list[int]
    clear: list[bool]
    elsewhere: list[int]


def place_sweeps(stimulus: FoundStimulus, recording: Recording) -> tuple[Placement, list[float]]:
    """Find the sweeps of a found stimulus in a recording, and when (s) others of them begin.

    Where it was played several times, the strongest run is placed.

    Raises
    ------
    InputError
        The recording does not hold them.
    """
    ratio = recording.rate_hz / stimulus.sweep.rate_hz
    starts = np.array([rung.start_sample for rung in stimulus.file.rungs], dtype=float)
    if len(recording.samples) < ratio * stimulus.sweep.samples:
        raise InputError(
            f"{recording.path}: is shorter than the sweep in {stimulus.file.name}: give a"
            " recording of all of it"
        )
    unplaced = Placement(0.0, ratio, "sweep", 1.0, ratio)
    placement, elsewhere_s = _placed(stimulus, recording, starts, unplaced)
    drift = placement.clock_scale - 1.0
    if abs(drift) * stimulus.sweep.duration_s > SMEARED_S:
        placement, elsewhere_s = _placed(stimulus, recording, starts, placement)
    return placement, elsewhere_s


def _placed(
    stimulus: FoundStimulus, recording: Recording, starts: FloatArray, before: Placement
) -> tuple[Placement, list[float]]:
    """Place the sweeps, given the clocks' scale by a placement that is less exact."""
    sweep = stimulus.sweep.at_rate(recording.rate_hz).as_recorded(before.clock_scale)
    response = _response(recording, sweep)
    begun = len(response) - len(recording.samples)
    pattern = _best_pattern(response, recording, sweep, starts * before.scale)
    if pattern is None:
        raise NoSignalError(
            f"{recording.path}: the sweep of {stimulus.file.name} was not found: is it a recording"
            " of that file, on this channel, and loud enough?"
        )
    offset, scale = _line(response, pattern, starts, recording.rate_hz, before.scale)
    offset -= begun
    by = "sweeps" if sum(pattern.clear) > 1 else "sweep"
    elsewhere_s = [(place - begun) / recording.rate_hz for place in pattern.elsewhere]
    return replace(before, offset_samples=offset, scale=scale, markers=by), elsewhere_s


def _response(recording: Recording, sweep: Sweep) -> FloatArray:
    """Return the recording with the sweep's dispersion taken out, one value per arrival's sample.

    The last one belongs to the recording's last sample; those before its first are sweeps that had
    begun when it began. Only the phase of the inverse is used, over a band: noise stays as it was.
    """
    samples = recording.samples
    length = fast_length(len(samples) + sweep.samples)
    spectrum = np.fft.rfft(samples, length)
    frequency_hz = np.arange(len(spectrum)) * (recording.rate_hz / length)
    low_hz = max(SOUGHT_HZ[0], sweep.full_from_hz)
    high_hz = min(SOUGHT_HZ[1], sweep.full_to_hz, BAND_OF_RATE * recording.rate_hz)
    if high_hz <= low_hz:
        low_hz, high_hz = sweep.full_from_hz, sweep.full_to_hz
    first, last = np.searchsorted(frequency_hz, [low_hz, high_hz])
    inside = frequency_hz[first:last]
    phase = 2.0 * np.pi * sweep.rate_constant_s * inside * (np.log(inside / sweep.start_hz) - 1.0)
    # Rounded edges: a sharp one rings.
    share = np.arange(len(inside)) / max(1, len(inside))
    spectrum[:first], spectrum[last:] = 0.0, 0.0
    spectrum[first:last] *= np.exp(1j * phase) * np.sin(np.pi * share) ** 0.5
    response = np.fft.irfft(spectrum, length)
    return np.concatenate([response[len(samples) :], response[: len(samples)]])


def _best_pattern(
    response: FloatArray, recording: Recording, sweep: Sweep, starts: FloatArray
) -> _Pattern | None:
    """Return the arrivals that stand as far apart as the sweeps should; None where none is clear.

    Every strong arrival is tried as each of the sweeps. The pattern with the most sweeps that are
    there, in part at least, less those that are not though they were recorded, is taken, the
    strongest of several. ``starts`` are in recorded samples.
    """
    rate_hz, begun = recording.rate_hz, len(response) - len(recording.samples)
    width = max(1, int(ENVELOPE_S * rate_hz))
    running = np.concatenate([[0.0], np.cumsum(response**2)])
    energy = running[width:] - running[:-width]
    threshold = CLEAR * max(float(np.median(energy)), LEAST_SHARE * float(np.max(energy)))
    patterns = []
    for candidate in _strongest(energy, round(APART_S * rate_hz)):
        for own in starts:
            expected = candidate + starts - own
            reach = REACH_S * rate_hz + LARGEST_DRIFT * np.abs(starts - own)
            places = [
                _largest(energy, at - around, at + around)
                for at, around in zip(expected, reach, strict=True)
            ]
            whole = (expected >= begun) & (expected + sweep.samples <= len(energy) + reach)
            there = (energy[places] > threshold) & (expected + reach > begun - sweep.samples)
            there &= expected - reach < len(energy)
            score = int(np.sum(there)) - int(np.sum(whole & ~there))
            energies = float(np.sum(energy[places][there]))
            patterns.append((score, energies, places, whole & there))
    _, _, places, clear = max(patterns, key=lambda one: one[:2])
    if not np.any(clear):
        return None
    peaks = [at + int(np.argmax(np.abs(response[at : at + width]))) for at in places]
    least = max(threshold, OTHER_RUN * float(np.max(energy[places][clear])))
    rest = energy.copy()
    for place in places:
        rest[max(0, place - sweep.samples) : place + sweep.samples] = 0.0
    rest[:begun] = 0.0
    elsewhere = [place for place in _strongest(rest, sweep.samples) if rest[place] > least]
    return _Pattern(peaks, clear.tolist(), sorted(elsewhere))


def _largest(energy: FloatArray, first: float, last: float) -> int:
    """Return the place of the largest energy between two places, which may lie outside."""
    low = min(max(0, round(first)), len(energy) - 1)
    return low + int(np.argmax(energy[low : max(round(last), low) + 1]))


def _strongest(energy: FloatArray, apart: int) -> list[int]:
    """Return the places of the largest energies, none closer to a larger one than ``apart``."""
    blocks = np.pad(energy, (0, -len(energy) % apart)).reshape(-1, apart)
    best = np.argmax(blocks, axis=1) + apart * np.arange(len(blocks))
    best = best[best < len(energy)]
    kept: list[int] = []
    for place in best[np.argsort(-energy[best])]:
        if all(abs(place - other) >= apart for other in kept):
            kept.append(int(place))
        if len(kept) == CANDIDATES:
            break
    return kept


def _line(
    response: FloatArray, pattern: _Pattern, starts: FloatArray, rate_hz: int, scale: float
) -> tuple[float, float]:
    """Return offset and scale of the straight line through the arrivals that are clear.

    Each one's response is compared with the strongest one's: they are alike.
    """
    half = int(COMPARED_S * rate_hz)
    clear = np.flatnonzero(pattern.clear)
    padded = np.pad(response, 2 * half)
    parts = [padded[place + half : place + 3 * half + 1] for place in pattern.places]
    strongest = max(clear, key=lambda row: float(np.sum(parts[row] ** 2)))
    if len(clear) == 1:
        return pattern.places[strongest] - scale * float(starts[strongest]), scale
    exact = np.array(
        [pattern.places[row] + shift_between(parts[strongest], parts[row]) for row in clear],
        dtype=float,
    )
    middle = float(np.mean(starts[clear]))
    whole, at_middle = np.polyfit(starts[clear] - middle, exact, 1)
    return float(at_middle - whole * middle), float(whole)
