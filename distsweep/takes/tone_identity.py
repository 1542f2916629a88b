"""Whether the recordings of a staircase's take hold the tones of its sidecar, file by file."""

from __future__ import annotations

from collections.abc import Sequence

from distsweep.analysis.noise.background import noise_spectrum
from distsweep.analysis.tone.bursts import clock_scale
from distsweep.analysis.tone.identity import ToneEvidence, examine_tone
from distsweep.errors import InputError
from distsweep.stimulus.bursts import tones
from distsweep.stimulus.sidecar import StaircaseStimulus, StimulusFile
from distsweep.takes.cutting import place_files, quiet_part
from distsweep.takes.cutting_staircase import (
    cut_staircase,
    cut_tones,
    with_scale,
)
from distsweep.takes.file_order import refuse_copies, refuse_order
from distsweep.takes.placement import Placement, place_stimulus
from distsweep.takes.recording import Recording
from distsweep.takes.sweep_identity import CLOCKS_PPM, GIVE_SIDECAR, SPEED_PPM, no_clocks


def placed_staircase(
    stimulus: StaircaseStimulus, recordings: Sequence[Recording]
) -> list[Placement]:
    """Find every file of a staircase in its recording, and make sure that it is that file.

    Raises
    ------
    InputError
        A recording does not hold its file of the stimulus, or no burst is complete; or the
        recordings hold each other's files.
    """
    try:
        return _placed(stimulus, recordings)
    except InputError:
        if len(recordings) == len(stimulus.files) > 1:
            refuse_copies(recordings, stimulus.files)
            _refuse_order(stimulus, recordings)
        raise


def _placed(stimulus: StaircaseStimulus, recordings: Sequence[Recording]) -> list[Placement]:
    """Place and prove every file; where only one marker was found, the tones tell the drift."""
    placements = place_files(stimulus, recordings)
    if not all(placement.markers == "both" for placement in placements):
        scale = clock_scale(cut_staircase(stimulus, recordings, placements).cut)
        placements = [
            placement
            if placement.markers == "both"
            else with_scale(
                placement, scale, start=file.start_marker_sample, end=file.end_marker_sample
            )
            for placement, file in zip(placements, stimulus.files, strict=True)
        ]
    found = [
        _evidence(stimulus, file, recording, placement)
        for recording, placement, file in zip(recordings, placements, stimulus.files, strict=True)
    ]
    trouble = staircase_trouble(found, placements)
    if trouble is not None:
        number, reason = trouble
        raise InputError(f"{recordings[number].path}: {reason}")
    return placements


def staircase_trouble(
    found: Sequence[Sequence[ToneEvidence]], placements: Sequence[Placement]
) -> tuple[int, str] | None:
    """Return which file's recording is not taken for it, and why; None where all are.

    ``found`` has the evidence on each file's tones. A tone outside a loudspeaker's band may not
    be heard, or by a harmonic only, and noise or a protection may spoil one. So the tones are
    counted over all files, whether there is one for all tones or one a tone.
    """
    items = [(number, item) for number, evidence in enumerate(found) for item in evidence]
    there = sum(item.state == "there" for _, item in items)
    for number, item in items:
        alien = item.state == "another" or (item.state == "harmonic" and not there)
        if alien and item.heard_hz is not None:
            return number, (
                f"holds a tone of {item.heard_hz:.0f} Hz where this stimulus has"
                f" {item.frequency_hz:g} Hz: {GIVE_SIDECAR}"
            )
    doubtful = [number for number, item in items if item.state in ("unexplained", "harmonic")]
    if there <= len(doubtful):
        return next(iter(doubtful), 0), (
            "the markers are there, but the tones between them are not this stimulus's, or drown"
            f" in noise: {GIVE_SIDECAR}"
        )
    displaced = [number for number, item in items if item.edges_fit is False]
    fitting = sum(item.edges_fit is True for _, item in items)
    if displaced and fitting <= len(displaced) + len(doubtful):
        return displaced[0], (
            f"its tones start and stop where this stimulus's bursts do not: {GIVE_SIDECAR}"
        )
    for number, (evidence, placement) in enumerate(zip(found, placements, strict=True)):
        drift_ppm = placement.clock_drift_ppm
        if drift_ppm is None or abs(drift_ppm) <= CLOCKS_PPM:
            continue
        if not _tones_run_at_speed(evidence):
            return number, no_clocks(drift_ppm)
    return None


def _tones_run_at_speed(evidence: Sequence[ToneEvidence]) -> bool:
    """Tell whether a file's tones have the frequencies that the speed of its markers gives."""
    there = [item for item in evidence if item.state == "there"]
    if not there or 2 * len(there) < len(evidence):
        return False
    best = max(there, key=lambda item: item.weight)
    return abs(best.speed - 1.0) < 1e-6 * SPEED_PPM


def _evidence(
    stimulus: StaircaseStimulus, file: StimulusFile, recording: Recording, placement: Placement
) -> list[ToneEvidence]:
    """Return what stands in the place of every tone of which a burst was recorded."""
    recipe = stimulus.recipe
    noise = noise_spectrum([quiet_part(recording, file, placement)], rate_hz=recording.rate_hz)
    stimulus_hz = [tone.frequency_hz for one in stimulus.files for tone in tones(one)]
    return [
        examine_tone(tone, order=recipe.order, stimulus_hz=stimulus_hz, noise=noise)
        for tone, _ in cut_tones(stimulus, file, recording, placement)
        if tone.bursts
    ]


def _refuse_order(stimulus: StaircaseStimulus, recordings: Sequence[Recording]) -> None:
    """Refuse recordings that hold each other's files; do nothing where that is not plain.

    Raises
    ------
    InputError
        Every recording holds one file of the stimulus, but not the one that it is listed for,
        or two hold the same.
    """
    held: list[int] = []
    for recording in recordings:
        fits = [
            number
            for number, file in enumerate(stimulus.files)
            if _holds(stimulus, file, recording)
        ]
        if len(fits) != 1:
            return
        held += fits
    refuse_order(recordings, held, [_tones_of(file) for file in stimulus.files])


def _holds(stimulus: StaircaseStimulus, file: StimulusFile, recording: Recording) -> bool:
    try:
        placement = place_stimulus(recording, marker=stimulus.marker, file=file)
    except InputError:
        return False
    return (
        placement.markers == "both"
        and staircase_trouble([_evidence(stimulus, file, recording, placement)], [placement])
        is None
    )


def _tones_of(file: StimulusFile) -> str:
    return "the tone of " + " and ".join(f"{tone.frequency_hz:g} Hz" for tone in tones(file))
