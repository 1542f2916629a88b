"""Cutting a recording into its rungs and its background."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from distsweep.errors import InputError
from distsweep.stimulus.sidecar import LadderStimulus, PlayedRung, StimulusFile
from distsweep.takes.gain_moved import MarkerChange, marker_change
from distsweep.takes.placement import Placement, place_stimulus
from distsweep.takes.recording import Recording
from distsweep.units import FloatArray, IntArray

LEAST_PAUSE_S = 0.2
"""A rung whose recording ends sooner after its sweep than this is incomplete."""


@dataclass(frozen=True)
class CutRung:
    """The recordings of one rung.

    Attributes
    ----------
    drive_dbfs, role : from the sidecar.
    signals : one array a repeat, each of shape ``(rung samples,)``; the sweep starts at
        their first sample, give or take half a sample.
    late_samples : per repeat, how much later (−0.5…0.5 samples) the sweep really starts.
    clipped_samples : per repeat, the indices of clipped samples.
    file, start_s : which file holds the rung, counted from 0, and how long after the start
        marker its first sweep was played there.
    """

    drive_dbfs: float
    role: str
    signals: list[FloatArray]
    late_samples: list[float]
    clipped_samples: list[IntArray]
    file: int = 0
    start_s: float = 0.0


@dataclass(frozen=True)
class CutTake:
    """A take cut into rungs.

    ``scale`` is recorded samples per played sample; ``step`` is the encoding's smallest step;
    ``missing`` names what is incomplete; ``placements`` and ``marker_changes`` have one item a
    file, the latter None where a marker was not found.
    """

    rungs: list[CutRung]
    quiet: list[FloatArray]
    scale: float
    clock_drift_ppm: float | None
    step: float
    missing: list[str]
    marker_changes: list[MarkerChange | None] = field(default_factory=list)
    placements: list[Placement] = field(default_factory=list)


def cut_take(stimulus: LadderStimulus, recordings: Sequence[Recording]) -> CutTake:
    """Find the stimulus in its recordings and cut out every rung and every silence.

    Raises
    ------
    InputError
        The number of recordings is not that of the stimulus's files, or a recording does
        not hold its file, or no rung is complete.
    """
    if len(recordings) != len(stimulus.files):
        raise InputError(
            f"{recordings[0].path}: {len(recordings)} recording(s) given, the stimulus has"
            f" {len(stimulus.files)} file(s): list one recording a file, in order"
        )
    rungs: list[CutRung] = []
    quiet: list[FloatArray] = []
    missing: list[str] = []
    placements = []
    changes = []
    for number, (recording, file) in enumerate(zip(recordings, stimulus.files, strict=True)):
        placement = place_stimulus(recording, marker=stimulus.marker, file=file)
        placements.append(placement)
        changes.append(
            marker_change(recording, marker=stimulus.marker, file=file, placement=placement)
        )
        if placement.markers != "both":
            missing.append(
                f"{recording.path.name}: only the {placement.markers} marker was found:"
                " the clock drift is not known and taken as none"
            )
        quiet.append(_quiet(recording, file, placement))
        for played in _by_rung(file):
            cut = _cut_rung(stimulus, recording, placement, played)
            if cut is None:
                missing.append(
                    f"{recording.path.name}: the rung at {played[0].drive_dbfs:g} dBFS"
                    f" ({played[0].role}) is not complete and was left out"
                )
            else:
                later = played[0].start_sample - file.start_marker_sample
                rungs.append(replace(cut, file=number, start_s=later / recording.rate_hz))
    if not any(rung.role == "rung" for rung in rungs):
        raise InputError(
            f"{recordings[0].path}: holds no complete rung of the stimulus: record it again"
        )
    drifts = [p.clock_drift_ppm for p in placements if p.clock_drift_ppm is not None]
    drift_ppm = float(np.mean(drifts)) if drifts else None
    scale = 1.0 if drift_ppm is None else 1.0 + 1e-6 * drift_ppm
    step = max(recording.step for recording in recordings)
    return CutTake(rungs, quiet, scale, drift_ppm, step, missing, changes, placements)


def _by_rung(file: StimulusFile) -> list[list[PlayedRung]]:
    """Group the sweeps of a file by rung: a group holds all repeats."""
    groups: list[list[PlayedRung]] = []
    for played in file.rungs:
        if played.repeat == 0:
            groups.append([])
        groups[-1].append(played)
    return groups


def _cut_rung(
    stimulus: LadderStimulus,
    recording: Recording,
    placement: Placement,
    played: list[PlayedRung],
) -> CutRung | None:
    length = round(stimulus.rung_samples * placement.scale)
    sweep_length = stimulus.sweep.samples * placement.scale
    signals, late, clipped = [], [], []
    for item in played:
        exact = placement.at(item.start_sample)
        first = round(exact)
        needed = sweep_length + LEAST_PAUSE_S * recording.rate_hz
        if first < 0 or first + needed > len(recording.samples):
            return None
        signal = recording.samples[first : first + length]
        signals.append(signal)
        late.append(exact - first)
        inside = np.searchsorted(recording.clipped_samples, [first, first + len(signal)])
        clipped.append(recording.clipped_samples[inside[0] : inside[1]] - first)
    return CutRung(played[0].drive_dbfs, played[0].role, signals, late, clipped)


def _quiet(recording: Recording, file: StimulusFile, placement: Placement) -> FloatArray:
    first, last = (max(0, round(placement.at(s))) for s in file.quiet_samples)
    return recording.samples[first:last]
