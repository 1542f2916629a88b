"""Placing and cutting a recording of sweeps that have no markers: by the sweeps themselves."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.cut import CutLadder, CutRung
from distsweep.errors import InputError, NoSignalError
from distsweep.fast_length import fast_length
from distsweep.reason import Reason
from distsweep.stimulus.found_sweep import FoundStimulus, by_level
from distsweep.stimulus.sidecar import PlayedRung
from distsweep.stimulus.sweep import Sweep
from distsweep.takes.cutting import FoundLadder
from distsweep.takes.placement import LARGEST_DRIFT, Placement
from distsweep.takes.recorded_band import BAND_OF_RATE
from distsweep.takes.recording import Recording
from distsweep.units import FloatArray, db_to_power

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

CLEAR = 100.0
"""Energy of an arrival over the recording's median from which it may be a sweep's (chosen: the
largest of a minute of noise alone is 25 times its median)."""

SMEARED_S = 0.001
"""Drift within a sweep from which it is placed once more with the clocks' scale (chosen: as long as
the envelope)."""

COMPARED_S = 0.003
"""Half the stretch of two sweeps' responses that is compared to tell their distance (chosen: it
holds the direct sound)."""

LONGEST_PAUSE_S, LEAST_PAUSE_S = 1.5, 0.5
"""What follows a sweep is kept up to the first, or until the next sweep; at the end of a recording
silence is put in place of what lacks of the second (chosen: as recipes ask for)."""

DIED_AWAY_S, BEFORE_S = 1.0, 0.05
"""A silence begins so long after a sweep has ended, and ends so long before the next arrives
(chosen: rooms of 0.6 s have lost 100 dB by then; an arrival is known to a millisecond)."""

LEAST_QUIET_S = 0.7
"""Shortest silence of use (chosen: the background's spectra are averages over 0.68 s)."""

LOUDER_DB = 6.0
"""A stretch of half that length is no silence where it is louder than the quieter ones by this
(chosen: quiet rooms differ by 1 or 2 dB from second to second)."""


@dataclass(frozen=True)
class _Pattern:
    """Where a recording's sweeps arrive: samples, and whether each is clear; the energies' sum."""

    places: list[int]
    clear: list[bool]
    energy: float


def cut_foreign(stimulus: FoundStimulus, recordings: Sequence[Recording]) -> FoundLadder:
    """Find the sweeps of a found stimulus in a recording and cut them and every silence out.

    With two or more the clocks' drift is known; with one it is not.

    Raises
    ------
    InputError
        There is more than one recording, or it does not hold the sweep.
    """
    if len(recordings) != 1:
        raise InputError(
            f"{recordings[0].path}: {len(recordings)} recordings given of the sweeps in"
            f" {stimulus.file.name}: give one"
        )
    (recording,) = recordings
    placement = place_sweeps(stimulus, recording)
    rungs, missing = [], []
    for played in by_level(stimulus):
        rung = _cut_rung(stimulus, recording, placement, played)
        if rung is None:
            missing.append(_no_rung(recording, played[0]))
        else:
            rungs.append(rung)
    if not any(rung.role == "rung" for rung in rungs):
        raise InputError(
            f"{recording.path}: holds no complete sweep of {stimulus.file.name}: record it again"
        )
    drift_ppm = placement.clock_drift_ppm
    if drift_ppm is None:
        missing.append(Reason("one_sweep", recording=recording.path.name))
    cut = CutLadder(
        stimulus.sweep.at_rate(recording.rate_hz),
        rungs,
        quiet=list(_silences(stimulus, recording, placement)),
        scale=placement.clock_scale,
        step=recording.step,
    )
    return FoundLadder(cut, drift_ppm, missing, [None], [placement])


def place_sweeps(stimulus: FoundStimulus, recording: Recording) -> Placement:
    """Find the sweeps of a found stimulus in a recording.

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
    placement = _placed(stimulus, recording, starts, Placement(0.0, ratio, "sweep", 1.0, ratio))
    drift = placement.clock_scale - 1.0
    if abs(drift) * stimulus.sweep.duration_s > SMEARED_S:
        placement = _placed(stimulus, recording, starts, placement)
    return placement


def _placed(
    stimulus: FoundStimulus, recording: Recording, starts: FloatArray, before: Placement
) -> Placement:
    """Place the sweeps, given the clocks' scale by a placement that is less exact."""
    sweep = stimulus.sweep.at_rate(recording.rate_hz).as_recorded(before.clock_scale)
    response = _response(recording, sweep)
    pattern = _best_pattern(response, recording, sweep, starts * before.scale)
    if pattern is None:
        raise NoSignalError(
            f"{recording.path}: the sweep of {stimulus.file.name} was not found: is it a recording"
            " of that file, on this channel, and loud enough?"
        )
    offset, scale = _line(response, pattern, starts, recording.rate_hz, before.scale)
    by = "sweeps" if sum(pattern.clear) > 1 else "sweep"
    return replace(before, offset_samples=offset, scale=scale, markers=by)


def _response(recording: Recording, sweep: Sweep) -> FloatArray:
    """Return the recording with the sweep's dispersion taken out, one value per arrival's sample.

    Only the phase of the inverse is used, over a band: noise stays as it was.
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
    return np.asarray(np.fft.irfft(spectrum, length)[: len(samples)])


def _best_pattern(
    response: FloatArray, recording: Recording, sweep: Sweep, starts: FloatArray
) -> _Pattern | None:
    """Return the arrivals that stand as far apart as the sweeps should; the most, the strongest.

    ``starts`` are in recorded samples.
    """
    rate_hz = recording.rate_hz
    width = max(1, int(ENVELOPE_S * rate_hz))
    running = np.concatenate([[0.0], np.cumsum(response**2)])
    energy = running[width:] - running[:-width]
    usual = float(np.median(energy)) + 1e-300
    best = None
    for candidate in _strongest(energy, round(APART_S * rate_hz)):
        for own in starts:
            places, clear, total = [], [], 0.0
            for start in starts:
                expected = candidate + start - own
                reach = REACH_S * rate_hz + LARGEST_DRIFT * abs(start - own)
                first = max(0, round(expected - reach))
                around = energy[first : max(0, round(expected + reach) + 1)]
                whole = expected >= 0 and expected + sweep.samples <= len(energy) + reach
                place = first + int(np.argmax(around)) if len(around) else 0
                strong = bool(whole and len(around) and energy[place] > CLEAR * usual)
                places.append(place + int(np.argmax(np.abs(response[place : place + width]))))
                clear.append(strong)
                total += float(energy[place]) if strong else 0.0
            better = best is None or (sum(clear), total) > (sum(best.clear), best.energy)
            if any(clear) and better:
                best = _Pattern(places, clear, total)
    return best


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
        [pattern.places[row] + _shift(parts[strongest], parts[row]) for row in clear], dtype=float
    )
    middle = float(np.mean(starts[clear]))
    whole, at_middle = np.polyfit(starts[clear] - middle, exact, 1)
    return float(at_middle - whole * middle), float(whole)


def _shift(one: FloatArray, other: FloatArray) -> float:
    """Return by how many samples another response lies later than one that is like it."""
    both = np.correlate(other, one, mode="full")
    best = int(np.argmax(both))
    shift = float(best - (len(one) - 1))
    if 0 < best < len(both) - 1:
        before, at, after = both[best - 1 : best + 2]
        shift += 0.5 * (before - after) / (before - 2.0 * at + after)
    return shift


def _cut_rung(
    stimulus: FoundStimulus,
    recording: Recording,
    placement: Placement,
    played: Sequence[PlayedRung],
) -> CutRung | None:
    """Return a rung's complete sweeps; None where there is none."""
    rate_hz = recording.rate_hz
    length = stimulus.sweep.samples * placement.scale
    starts = [placement.at(rung.start_sample) for rung in stimulus.file.rungs]
    signals, late, clipped, firsts = [], [], [], []
    for item in played:
        exact = placement.at(item.start_sample)
        first = round(exact)
        if first < 0 or first + length > len(recording.samples):
            continue
        following = min([s for s in starts if s > exact], default=np.inf)
        until = min(following, exact + length + LONGEST_PAUSE_S * rate_hz)
        signal = recording.samples[first : int(min(until, len(recording.samples)))]
        inside = np.searchsorted(recording.clipped_samples, [first, first + len(signal)])
        clipped.append(recording.clipped_samples[inside[0] : inside[1]] - first)
        lacking = round(length + LEAST_PAUSE_S * rate_hz) - len(signal)
        signals.append(np.pad(signal, (0, max(0, lacking))))
        late.append(exact - first)
        firsts.append(first)
    if not signals:
        return None
    return CutRung(
        played[0].drive_dbfs,
        played[0].role,
        signals,
        late,
        clipped,
        start_s=(played[0].start_sample - stimulus.file.rungs[0].start_sample)
        / stimulus.sweep.rate_hz,
        first_samples=firsts,
    )


def _silences(
    stimulus: FoundStimulus, recording: Recording, placement: Placement
) -> Iterator[FloatArray]:
    """Yield what is quiet and long enough before, between and after the sweeps.

    A signal that announces the sweeps, or a room's last reverberation, is no silence.
    """
    rate_hz = recording.rate_hz
    length = stimulus.sweep.samples * placement.scale
    starts = [placement.at(rung.start_sample) for rung in stimulus.file.rungs]
    ends = [0.0, *(start + length + DIED_AWAY_S * rate_hz for start in starts)]
    nexts = [*(start - BEFORE_S * rate_hz for start in starts), float(len(recording.samples))]
    gaps = []
    for first, last in zip(ends, nexts, strict=True):
        gaps.append(recording.samples[max(0, round(first)) : max(0, round(last))])
    block = round(LEAST_QUIET_S * rate_hz / 2.0)
    # Differences of neighbouring samples: the slow, restless part of a room's noise is left out.
    powers = [_block_powers(np.diff(gap), block) for gap in gaps]
    usual = np.concatenate(powers)
    if not len(usual):
        return
    limit = float(np.quantile(usual, 0.25)) * float(db_to_power(LOUDER_DB))
    for gap, power in zip(gaps, powers, strict=True):
        edges = np.flatnonzero(np.diff(np.pad(power <= limit, 1).astype(int)))
        for low, high in edges.reshape(-1, 2):
            if high - low >= 2:
                yield gap[low * block : high * block]


def _block_powers(samples: FloatArray, block: int) -> FloatArray:
    """Return the mean squares of whole blocks, the last one shorter by up to one sample."""
    count = (len(samples) + 1) // block
    padded = np.pad(samples, (0, max(0, count * block - len(samples))))[: count * block]
    return np.asarray(np.mean(padded.reshape(count, block) ** 2, axis=1))


def _no_rung(recording: Recording, played: PlayedRung) -> Reason:
    return Reason(
        "incomplete",
        what="rung",
        recording=recording.path.name,
        drive_dbfs=played.drive_dbfs,
        role=played.role,
    )
