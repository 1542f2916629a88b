"""Cutting a recording into its rungs and its background."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from distsweep.analysis.cut import CutLadder, CutRung
from distsweep.errors import InputError
from distsweep.reason import Reason
from distsweep.results import Damage
from distsweep.stimulus.sidecar import LadderStimulus, PlayedRung, Stimulus, StimulusFile
from distsweep.takes.examined import examine
from distsweep.takes.gain_moved import MarkerChange, marker_change
from distsweep.takes.gain_steps import GainStep, doubt_at_db
from distsweep.takes.mending import Mended, in_rungs, mend
from distsweep.takes.placement import Placement, place_stimulus
from distsweep.takes.recording import Recording
from distsweep.units import FloatArray

MOVED_S = 0.2
"""Largest time by which lost or repeated blocks move the markers (chosen: two blocks of 4096
samples at 44.1 kHz)."""

LEAST_PAUSE_S = 0.2
"""A rung whose recording ends sooner after its sweep than this is incomplete (chosen: the treble of
a room has died away by then)."""


@dataclass(frozen=True)
class FoundLadder:
    """A ladder found in its recordings and cut.

    ``missing`` names what is incomplete; ``placements`` and ``marker_changes`` have one item a
    file, the latter None where a marker was not found. ``recordings`` are those cut: where blocks
    were lost or repeated, they are mended.
    """

    cut: CutLadder
    clock_drift_ppm: float | None
    missing: list[Reason]
    marker_changes: list[MarkerChange | None]
    placements: list[Placement]
    recordings: list[Recording]


Clocked = Callable[[Sequence[Placement], Sequence[bool]], list[Placement]]
"""Puts a loop-back's clock into placements, given which recordings were mended."""


def cut_ladder(
    stimulus: LadderStimulus, recordings: Sequence[Recording], *, clocked: Clocked | None = None
) -> FoundLadder:
    """Find the stimulus in its recordings and cut out every rung and every silence.

    Where there is a loop-back, the clock is what ``clocked`` makes of it.

    Raises
    ------
    InputError
        The number of recordings is not that of the stimulus's files, or a recording does
        not hold its file, or no rung is complete.
    """
    placements = place_files(stimulus, recordings, moved_s=MOVED_S)
    mended, placements = mend(stimulus, recordings, placements)
    if clocked is not None:
        placements = clocked(placements, [bool(one.gaps or one.damage) for one in mended])
    evened = [one.recording for one in mended]
    changes = marker_changes(stimulus, zip(evened, stimulus.files, placements, strict=True))
    resampled = [any(damage.kind == "clock" for damage in one.damage) for one in mended]
    examined = examine(stimulus, evened, placements, changes, resampled=resampled)
    mended = [
        replace(one, recording=righted)
        for one, righted in zip(mended, examined.recordings, strict=True)
    ]
    files = list(zip(examined.recordings, stimulus.files, placements, strict=True))
    rungs, places, missing = _cut_rungs(stimulus, mended, placements, examined.steps)
    if not any(rung.role == "rung" for rung in rungs):
        raise InputError(
            f"{recordings[0].path}: holds no complete rung of the stimulus: record it again"
        )
    drift_ppm = mean_drift_ppm(placements)
    done_to = [
        replace(one, rung=places.index(one.rung) if one.rung in places else None)
        for one in examined.damage
    ]
    cut = CutLadder(
        stimulus.sweep.at_rate(recordings[0].rate_hz),
        rungs,
        quiet=[quiet_part(*found) for found in files],
        scale=1.0 if drift_ppm is None else 1.0 + 1e-6 * drift_ppm,
        step=max(recording.step for recording in examined.recordings),
        damage=_damage(stimulus, mended, placements, rungs, done_to),
        recordings=[recording.path.name for recording in examined.recordings],
        quiet_starts=[
            one.as_given(max(0, round(placement.at(file.quiet_samples[0]))))
            for one, file, placement in zip(mended, stimulus.files, placements, strict=True)
        ],
    )
    return FoundLadder(cut, drift_ppm, missing, changes, placements, examined.recordings)


def mean_drift_ppm(placements: Iterable[Placement | None]) -> float | None:
    """Return the mean of the clock drifts that are known, in parts per million; None: none is."""
    drifts = [placement.clock_drift_ppm for placement in placements if placement is not None]
    known = [drift for drift in drifts if drift is not None]
    return float(np.mean(known)) if known else None


def _damage(
    stimulus: LadderStimulus,
    mended: Sequence[Mended],
    placements: Sequence[Placement],
    rungs: Sequence[CutRung],
    examined: Sequence[Damage],
) -> list[Damage]:
    """Return all that was found, in the recordings' own time; ``rung`` is the row of ``rungs``."""
    found: list[Damage] = []
    for number, (one, placement) in enumerate(zip(mended, placements, strict=True)):
        here = [replace(r, first_samples=r.first_samples * (r.file == number)) for r in rungs]
        sweep = stimulus.sweep.at_rate(one.recording.rate_hz)
        found += in_rungs(one.damage, here, sweep=sweep, scale=placement.clock_scale)
        name = one.recording.path.name
        found += [one.damage_as_given(damage) for damage in examined if damage.recording == name]
    return found


def _cut_rungs(
    stimulus: LadderStimulus,
    mended: Sequence[Mended],
    placements: Sequence[Placement],
    steps: Sequence[GainStep],
) -> tuple[list[CutRung], list[int], list[Reason]]:
    """Return the complete rungs, each one's place among all played, and what is missing."""
    rungs: list[CutRung] = []
    missing: list[Reason] = []
    places: list[int] = []
    place = -1
    files = zip(mended, stimulus.files, placements, strict=True)
    for number, (one, file, placement) in enumerate(files):
        recording = one.recording
        if placement.markers != "both":
            clock = "loopback" if placement.clock_known else "nothing"
            missing.append(one_marker(recording, placement, drift_from=clock))
        for played in _by_rung(file):
            place += 1
            rung = _cut_rung(stimulus, one, placement, played)
            if rung is None:
                missing.append(no_rung(recording, played[0]))
                continue
            later = played[0].start_sample - file.start_marker_sample
            last = rung.first_samples[-1] + len(rung.signals[-1])
            doubt_db = doubt_at_db(steps, number, last)
            rungs.append(
                replace(
                    rung,
                    file=number,
                    start_s=later / stimulus.sweep.rate_hz,
                    gain_doubt_db=doubt_db,
                )
            )
            places.append(place)
    return rungs, places, missing


def place_files(
    stimulus: Stimulus, recordings: Sequence[Recording], *, moved_s: float = 0.0
) -> list[Placement]:
    """Find every file of a stimulus in its recording; ``moved_s`` as for `place_stimulus`.

    Raises
    ------
    InputError
        The number of recordings is not that of the stimulus's files, their rates differ, or a
        recording does not hold its file.
    """
    check_count([recording.path for recording in recordings], stimulus)
    other = next((r for r in recordings if r.rate_hz != recordings[0].rate_hz), None)
    if other is not None:
        raise InputError(
            f"{other.path}: was recorded at {other.rate_hz} Hz, {recordings[0].path.name} at"
            f" {recordings[0].rate_hz} Hz: record all files of a take at one rate"
        )
    return [
        place_stimulus(recording, marker=stimulus.marker, file=file, moved_s=moved_s)
        for recording, file in zip(recordings, stimulus.files, strict=True)
    ]


def check_count(recordings: Sequence[Path], stimulus: Stimulus) -> None:
    """Refuse more or fewer recordings than the stimulus has files.

    Raises
    ------
    InputError
        There are.
    """
    if len(recordings) != len(stimulus.files):
        raise InputError(
            f"{recordings[0]}: {len(recordings)} recording(s) given, the stimulus has"
            f" {len(stimulus.files)} file(s): list one recording a file, in order"
        )


def marker_changes(
    stimulus: Stimulus, files: Iterable[tuple[Recording, StimulusFile, Placement]]
) -> list[MarkerChange | None]:
    """Compare every file's two markers; None for a file of which one was not found."""
    return [
        marker_change(recording, marker=stimulus.marker, file=file, placement=placement)
        for recording, file, placement in files
    ]


def quiet_part(recording: Recording, file: StimulusFile, placement: Placement) -> FloatArray:
    """Return the silence of a file, as far as it was recorded."""
    first, last = (max(0, round(placement.at(s))) for s in file.quiet_samples)
    return recording.samples[first:last]


def one_marker(recording: Recording, placement: Placement, *, drift_from: str) -> Reason:
    """Say that a file has one of its two markers, and what its clock drift was taken from."""
    return Reason(
        "incomplete",
        what="marker",
        recording=recording.path.name,
        marker=placement.markers,
        drift_from=drift_from,
    )


def no_rung(recording: Recording, played: PlayedRung) -> Reason:
    """Say that a rung is not complete in its recording."""
    return Reason(
        "incomplete",
        what="rung",
        recording=recording.path.name,
        drive_dbfs=played.drive_dbfs,
        role=played.role,
    )


def _by_rung(file: StimulusFile) -> list[list[PlayedRung]]:
    """Return the sweeps of a file by rung: each list holds all repeats of one."""
    groups: list[list[PlayedRung]] = []
    for played in file.rungs:
        if played.repeat == 0:
            groups.append([])
        groups[-1].append(played)
    return groups


def _cut_rung(
    stimulus: LadderStimulus,
    mended: Mended,
    placement: Placement,
    played: list[PlayedRung],
) -> CutRung | None:
    recording = mended.recording
    length = round(stimulus.rung_samples * placement.scale)
    sweep_length = stimulus.sweep.samples * placement.scale
    signals, late, clipped, starts, holes = [], [], [], [], []
    for item in played:
        exact = placement.at(item.start_sample)
        first = round(exact)
        needed = sweep_length + LEAST_PAUSE_S * recording.rate_hz
        if first < 0 or first + needed > len(recording.samples):
            return None
        signal = recording.samples[first : first + length]
        signals.append(signal)
        late.append(exact - first)
        starts.append(mended.as_given(first))
        holes.append(mended.holes_between(first, first + len(signal)))
        inside = np.searchsorted(recording.clipped_samples, [first, first + len(signal)])
        clipped.append(recording.clipped_samples[inside[0] : inside[1]] - first)
    return CutRung(
        played[0].drive_dbfs, played[0].role, signals, late, clipped,
        first_samples=starts, holes=holes,
    )  # fmt: skip
