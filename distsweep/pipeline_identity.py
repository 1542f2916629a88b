"""Whether the recordings of a take hold the stimulus that its sidecar describes, file by file.

The markers alone do not tell: they are alike in every stimulus, and two stimuli may be equally
long. So what lies between them must be what the sidecar says. Levels are no evidence: nothing is
known of gain, response and limiters.
"""

from __future__ import annotations

from collections.abc import Sequence

from distsweep.analysis.background import noise_spectrum
from distsweep.analysis.staircase import clock_scale
from distsweep.analysis.tone_proof import ToneEvidence, examine_tone
from distsweep.errors import InputError
from distsweep.stimulus.sidecar import StaircaseStimulus, StimulusFile
from distsweep.takes.cutting_staircase import (
    cut_staircase,
    cut_tones,
    place_staircase,
    with_scale,
)
from distsweep.takes.placement import Placement
from distsweep.takes.recording import Recording

CLOCKS_PPM = 200.0
"""Two clocks differ by less (chosen: converters keep 100 ppm each). What differs by more was
played at another speed, and is believed only on the proof of what was played."""

SPEED_PPM = 150.0
"""Within this the tones' own frequencies must give the speed that the markers give."""

GIVE_SIDECAR = "give the sidecar of the stimulus that was played"


def placed_staircase(
    stimulus: StaircaseStimulus, recordings: Sequence[Recording]
) -> list[Placement]:
    """Find every file of a staircase in its recording, and make sure that it is that file.

    Where one marker only was found, the tones themselves tell the drift.

    Raises
    ------
    InputError
        A recording does not hold its file of the stimulus, or no burst is complete.
    """
    placements = place_staircase(stimulus, recordings)
    if not all(placement.markers == "both" for placement in placements):
        scale = clock_scale(cut_staircase(stimulus, recordings, placements))
        placements = [
            placement
            if placement.markers == "both"
            else with_scale(
                placement, scale, start=file.start_marker_sample, end=file.end_marker_sample
            )
            for placement, file in zip(placements, stimulus.files, strict=True)
        ]
    for recording, placement, file in zip(recordings, placements, stimulus.files, strict=True):
        trouble = staircase_trouble(stimulus, file, recording, placement)
        if trouble is not None:
            raise InputError(f"{recording.path}: {trouble}")
    return placements


def staircase_trouble(
    stimulus: StaircaseStimulus, file: StimulusFile, recording: Recording, placement: Placement
) -> str | None:
    """Return why a recording is not taken for a file of a staircase, or None."""
    evidence = _evidence(stimulus, file, recording, placement)
    there = [item for item in evidence if item.state == "there"]
    for item in evidence:
        if item.state == "another" and item.heard_hz is not None:
            return (
                f"holds a tone of {item.heard_hz:.0f} Hz where this stimulus has"
                f" {item.frequency_hz:g} Hz: {GIVE_SIDECAR}"
            )
    unexplained = sum(item.state == "unexplained" for item in evidence)
    if not there or len(there) < unexplained:
        return (
            "the markers are there, but the tones between them are not this stimulus's, or drown"
            f" in noise: {GIVE_SIDECAR}"
        )
    displaced = sum(item.edges_fit is False for item in there)
    if displaced and len(there) <= 2 * displaced + unexplained:
        return f"its tones start and stop where this stimulus's bursts do not: {GIVE_SIDECAR}"
    if placement.clock_drift_ppm is None or abs(placement.clock_drift_ppm) <= CLOCKS_PPM:
        return None
    best = max(there, key=lambda item: item.weight)
    same_speed = abs(best.speed - 1.0) < 1e-6 * SPEED_PPM
    if any(item.edges_fit for item in there) and same_speed and 2 * len(there) >= len(evidence):
        return None
    return no_clocks(placement.clock_drift_ppm)


def no_clocks(drift_ppm: float) -> str:
    """Say that markers stand where two clocks do not put them, and no proof explains it."""
    return (
        f"its markers stand {abs(drift_ppm):.0f} ppm"
        f" {'further' if drift_ppm > 0.0 else 'less far'} apart than this stimulus's, more than"
        f" two clocks differ ({CLOCKS_PPM:.0f} ppm), and what lies between them does not show"
        f" that speed: {GIVE_SIDECAR}, or record again if samples were lost"
    )


def _evidence(
    stimulus: StaircaseStimulus, file: StimulusFile, recording: Recording, placement: Placement
) -> list[ToneEvidence]:
    """Return what stands in the place of every tone of which a burst was recorded."""
    recipe = stimulus.recipe
    first, last = (max(0, round(placement.at(sample))) for sample in file.quiet_samples)
    noise = noise_spectrum([recording.samples[first:last]], rate_hz=recipe.rate_hz)
    return [
        examine_tone(
            tone,
            rate_hz=recipe.rate_hz,
            ramp_s=1e-3 * recipe.ramp_ms,
            lowest_dbfs=recipe.levels_dbfs[0],
            order=recipe.order,
            noise=noise,
        )
        for tone, _ in cut_tones(file, recording, placement)
        if tone.bursts
    ]
