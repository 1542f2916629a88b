"""Reading a recording of sweeps that have no markers, and cutting it into rungs and silences."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from distsweep.analysis.cut import CutLadder, CutRung
from distsweep.errors import InputError
from distsweep.flag_runs import runs_of
from distsweep.reason import Reason
from distsweep.stimulus.found_sweep import FoundStimulus, by_level
from distsweep.stimulus.sidecar import PlayedRung
from distsweep.takes.cutting import FoundLadder, no_rung
from distsweep.takes.placement import Placement
from distsweep.takes.recording import Recording, read_recording
from distsweep.takes.sound_file import open_sound
from distsweep.takes.sweep_placement import place_sweeps
from distsweep.units import FloatArray, db_to_power

LONGEST_SAMPLES = 2**26
"""Longest recording in which sweeps without markers are sought, whole, at 23 minutes of 48 kHz
(chosen: the search holds it some five times over, which is 3 GB)."""

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


def read_foreign(
    paths: Sequence[Path], stimulus: FoundStimulus, *, channel: int, number: int | None
) -> list[Recording]:
    """Read the recordings of a stimulus that was found in a sound file.

    Raises
    ------
    InputError
        One cannot be used, is too long, or a run is named, which only markers tell apart.
    """
    if number is not None and number > 1:
        raise InputError(
            f"{paths[0]}: run {number} was asked for, and the sweeps of {stimulus.file.name} have"
            " no markers that tell runs apart: leave number out, and give a file for each run"
        )
    for path in paths:
        sound = open_sound(path)
        if sound.samples > LONGEST_SAMPLES:
            raise InputError(
                f"{path}: is {sound.length_s / 60.0:.0f} minutes long, sweeps without markers are"
                f" sought in {LONGEST_SAMPLES / sound.rate_hz / 60.0:.0f} minutes at most: give the"
                " part that holds them"
            )
    return [read_recording(path, channel=channel, noting=True) for path in paths]


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
    placement, elsewhere_s = place_sweeps(stimulus, recording)
    rungs, missing = [], []
    if elsewhere_s:
        name = recording.path.name
        missing.append(Reason("other_sweeps", recording=name, starts_s=elsewhere_s))
    for played in by_level(stimulus):
        rung = _cut_rung(stimulus, recording, placement, played)
        if rung is None:
            missing.append(no_rung(recording, played[0]))
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
    return FoundLadder(cut, drift_ppm, missing, [None], [placement], [recording])


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
        for low, high in runs_of(power <= limit):
            if high - low >= 2:
                yield gap[low * block : high * block]


def _block_powers(samples: FloatArray, block: int) -> FloatArray:
    """Return the mean squares of whole blocks, the last one shorter by up to one sample."""
    count = (len(samples) + 1) // block
    padded = np.pad(samples, (0, max(0, count * block - len(samples))))[: count * block]
    return np.asarray(np.mean(padded.reshape(count, block) ** 2, axis=1))
