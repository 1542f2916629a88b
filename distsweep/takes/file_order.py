"""Whether the recordings of a take in several files are listed in the order of its files.

A staircase has one tone a file, and the tone tells which it is. A ladder has one rung a file,
and every sweep is the same; but each file's markers leave at one level,
so that the level of the sweep re its own file's marker tells the rungs apart, whatever the gain.
It does so as far as the loudspeaker follows: two rungs that a limiter makes equally loud are not
told apart, nor are the first and the return rung, which are the same sound.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from distsweep.errors import InputError
from distsweep.fast_length import fast_length
from distsweep.stimulus.sidecar import LadderStimulus, StimulusFile
from distsweep.takes.placement import Placement
from distsweep.takes.recording import Recording
from distsweep.units import FloatArray, power_to_db
from distsweep.words.wording import as_given

TAIL_S = 0.05
"""Time after a marker or a sweep whose reverberation is counted with it (chosen: most of a living
room's energy comes within it)."""

FALLS_DB = 1.0
"""Fall of the output, while the drive rises, from which the order is doubted (chosen: room, noise
and the markers' other spectrum move a level by less)."""

FOLLOWS_DB = 2.0
"""Largest rise of a loudspeaker's gain with its drive (chosen for the reasons of
FALLS_DB)."""

LEAST_SLOPE = 0.7
"""Least rise of the output, in dB a dB of drive, where nothing holds it back (chosen: a compressor
of ratio 1.5 gives 0.67)."""

SAME_DB = 0.5
"""Two recordings of one rung are equally loud within this (chosen: a warm loudspeaker and noise
move it by a few tenths)."""


def refuse_repeated(paths: Sequence[Path]) -> None:
    """Refuse a recording that is listed twice.

    Raises
    ------
    InputError
        One is.
    """
    for number, path in enumerate(paths):
        if path in paths[:number]:
            raise InputError(f"{path}: is listed twice: list each file's own recording, in order")


def refuse_copies(recordings: Sequence[Recording], files: Sequence[StimulusFile]) -> None:
    """Refuse copies of one recording for files that differ.

    The first and the return rung do not: without noise their recordings are the same samples.

    Raises
    ------
    InputError
        There are copies.
    """
    for number, recording in enumerate(recordings):
        for before, earlier in enumerate(recordings[:number]):
            alike = np.array_equal(recording.samples, earlier.samples)
            if alike and _played(files[number]) != _played(files[before]):
                raise InputError(
                    f"{recording.path}: is a copy of {earlier.path.name}: list each file's own"
                    " recording, in order"
                )


def _played(file: StimulusFile) -> list[tuple[float, float]]:
    """Return frequency (0 for a sweep) and level of all that a file plays."""
    bursts = [(burst.frequency_hz, burst.level_dbfs) for burst in file.bursts]
    return bursts + [(0.0, rung.drive_dbfs) for rung in file.rungs]


def refuse_ladder_order(
    stimulus: LadderStimulus, recordings: Sequence[Recording], placements: Sequence[Placement]
) -> None:
    """Refuse recordings of rungs that another order explains, or that hold one rung twice.

    Raises
    ------
    InputError
        They do.
    """
    files = stimulus.files
    if len(files) < 2 or any(len({rung.drive_dbfs for rung in file.rungs}) > 1 for file in files):
        return
    drives = np.array([file.rungs[0].drive_dbfs for file in files])
    heard = np.array(
        [
            heard_dbfs(stimulus, file, recording, placement)
            for file, recording, placement in zip(files, recordings, placements, strict=True)
        ]
    )
    held = _rungs_held(drives, heard)
    refuse_order(recordings, held, [f"the rung at {as_given(drive)} dBFS" for drive in drives])


def heard_dbfs(
    stimulus: LadderStimulus, file: StimulusFile, recording: Recording, placement: Placement
) -> float:
    """Return the drive at which a file's sweep sounds, by its level re the file's own marker.

    Both are compared over the marker's band, the background's power taken off. −inf where the
    sweep does not stand out of the background, NaN where the marker was not recorded or does not.
    """
    marker, sweep = stimulus.marker, stimulus.sweep
    chirp = marker.waveform()
    low_hz = max(marker.stop_hz, sweep.full_from_hz)
    high_hz = min(marker.start_hz, sweep.full_to_hz)
    first, last = (round(float(sweep.time_of_s(f)) * sweep.rate_hz) for f in (low_hz, high_hz))
    played = sweep.waveform()[first:last]
    start = file.rungs[0].start_sample
    stretches = [
        _stretch(recording, placement, file.start_marker_sample, marker.samples),
        _stretch(recording, placement, start + first, last - first),
    ]
    quiet = recording.samples[slice(*(max(0, round(placement.at(s))) for s in file.quiet_samples))]
    if not all(len(stretch) for stretch in (*stretches, quiet)):
        return float("nan")
    band_hz = (low_hz, high_hz)
    noise = _energy(quiet, band_hz, recording.rate_hz) / len(quiet)
    heard = [_energy(stretch, band_hz, recording.rate_hz) for stretch in stretches]
    noises = [noise * len(stretch) for stretch in stretches]
    clear = [energy > 2.0 * background for energy, background in zip(heard, noises, strict=True)]
    if not clear[0]:
        return float("nan")
    if not clear[1]:
        return float("-inf")
    louder = (heard[1] - noises[1]) / (heard[0] - noises[0])
    as_played = _energy(played, band_hz, sweep.rate_hz) / _energy(chirp, band_hz, sweep.rate_hz)
    return float(power_to_db(louder / as_played) + marker.level_dbfs)


def _stretch(
    recording: Recording, placement: Placement, start_sample: int, samples: int
) -> FloatArray:
    """Return what was recorded of a part of the stimulus, with its tail; empty if not whole."""
    first = round(placement.at(start_sample))
    last = first + round(samples * placement.scale + TAIL_S * recording.rate_hz)
    inside = first >= 0 and last <= len(recording.samples)
    return recording.samples[first:last] if inside else recording.samples[:0]


def _energy(samples: FloatArray, band_hz: tuple[float, float], rate_hz: float) -> float:
    """Return the sum of squares of what lies within a band."""
    length = fast_length(len(samples))
    spectrum = np.fft.rfft(samples, length)
    first, last = (round(frequency_hz * length / rate_hz) for frequency_hz in band_hz)
    part = spectrum[first : last + 1]
    return float(np.sum(part.real**2 + part.imag**2) / length)


def _rungs_held(drives: FloatArray, heard: FloatArray) -> list[int]:
    """Return which rung each recording holds, as far as another than its own explains it all.

    Where nothing does, they are taken for the rungs that they are listed for: a loudspeaker
    that turns itself down at the top is no mistake in a list.
    """
    as_listed = list(range(len(drives)))
    if np.any(np.isnan(heard)) or _follows(drives, heard):
        return as_listed
    held = _by_level(drives, heard)
    if _follows(drives[held], heard) and _is_no_protection(drives, heard, held):
        return held
    # Without the one that is there twice the others follow; without the other they do not.
    repeats = [_repeats(drives, heard, row) for row in as_listed]
    explained = [(row, other) for row, other in enumerate(repeats) if other is not None]
    if len(explained) == 1:
        row, other = explained[0]
        return [other if number == row else number for number in as_listed]
    return as_listed


def _repeats(drives: FloatArray, heard: FloatArray, row: int) -> int | None:
    """Return the rung that a recording holds a second time, if that explains all; else None.

    The rung must stand out of its neighbours by its level, and a louder one must follow: a
    loudspeaker that turns itself down stays down.
    """
    others = np.arange(len(drives)) != row
    alike = np.isclose(heard, heard[row], rtol=0.0, atol=SAME_DB) & (drives != drives[row])
    recovers = np.any(heard[drives > drives[row]] > heard[row] + FOLLOWS_DB)
    if np.sum(alike) != 1 or not np.isfinite(heard[row]) or not recovers:
        return None
    other = int(np.argmax(alike))
    rises_db, steps_db = heard - heard[other], drives - drives[other]
    apart = others & (steps_db != 0.0)
    stands_out = np.all(rises_db[apart] / steps_db[apart] >= LEAST_SLOPE)
    return other if stands_out and _follows(drives[others], heard[others]) else None


def _follows(drives: FloatArray, heard: FloatArray) -> bool:
    """Tell whether a loudspeaker that follows, and may compress, gives these levels.

    Its gain does not rise with the drive, and a louder rung is not softer.
    """
    known = np.isfinite(heard)
    order = np.lexsort((heard[known], drives[known]))
    steps_db, rises_db = np.diff(drives[known][order]), np.diff(heard[known][order])
    gains_db = heard[known][order] - drives[known][order]
    lowest_db = np.minimum.accumulate(gains_db)
    no_softer = np.all(rises_db[steps_db > 0.0] >= -FALLS_DB)
    return bool(no_softer and np.all(gains_db <= lowest_db + FOLLOWS_DB))


def _by_level(drives: FloatArray, heard: FloatArray) -> list[int]:
    """Return which rung each recording holds if louder ones hold louder rungs.

    Rungs of one drive keep the order of the list: they are the same sound.
    """
    by_level, rising = np.argsort(heard, kind="stable"), np.argsort(drives, kind="stable")
    held = [0] * len(drives)
    for drive in np.unique(drives):
        rows = np.flatnonzero(drives[rising] == drive)
        for recording, rung in zip(sorted(by_level[rows]), sorted(rising[rows]), strict=True):
            held[recording] = int(rung)
    return held


def _is_no_protection(drives: FloatArray, heard: FloatArray, held: Sequence[int]) -> bool:
    """Tell whether levels as listed are not those of a loudspeaker that turns itself down.

    Such a one does so from some drive on: it does not recover when it is driven harder. Nor
    would its levels, sorted, rise as the drive does wherever a rung is out of place.
    """
    order = np.argsort(drives, kind="stable")
    sorted_heard, loudest_before = heard[order], -np.inf
    fallen = False
    for level in sorted_heard:
        if fallen and level > loudest_before + FALLS_DB:
            return True
        fallen = fallen or level < loudest_before - FOLLOWS_DB
        loudest_before = max(loudest_before, float(level))
    moved = np.array([row != rung for row, rung in enumerate(held)])
    proposed = drives[list(held)]
    order = np.lexsort((heard, proposed))
    steps_db, rises_db = np.diff(proposed[order]), np.diff(heard[order])
    concerned = (moved[order][1:] | moved[order][:-1]) & (steps_db > 0.0)
    return bool(np.all(rises_db[concerned] >= LEAST_SLOPE * steps_db[concerned]))


def refuse_order(
    recordings: Sequence[Recording], held: Sequence[int], names: Sequence[str]
) -> None:
    """Refuse recordings of which each holds the file ``held``, unless that is its own.

    ``names`` says what each file holds.

    Raises
    ------
    InputError
        One holds another's.
    """
    if list(held) == list(range(len(names))):
        return
    called = _called([recording.path for recording in recordings])
    wrong = [row for row, file in enumerate(held) if row != file]
    where = recordings[wrong[0]].path
    for number, file in enumerate(held):
        if file in held[:number]:
            earlier = list(held).index(file)
            lost = " and ".join(name for row, name in enumerate(names) if row not in held)
            raise InputError(
                f"{where}: {called[earlier]} and {called[number]} both hold {names[file]}, and"
                f" none holds {lost}: list each file's own recording, in order"
            )
    holds = ", ".join(f"{called[row]} holds {names[held[row]]}" for row in wrong)
    listed = ", ".join(called[list(held).index(file)] for file in range(len(names)))
    raise InputError(f"{where}: the recordings are in the wrong order: {holds}: list {listed}")


def _called(paths: Sequence[Path]) -> list[str]:
    """Return what to call files: their names, or paths where names are not enough."""
    names = [path.name for path in paths]
    return names if len(set(names)) == len(names) else [str(path) for path in paths]
