"""Cutting a recording of a staircase into its tones and bursts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.cut import CutBurst, CutStaircase, CutTone
from distsweep.errors import InputError
from distsweep.reason import Reason
from distsweep.stimulus.bursts import Tone, tones
from distsweep.stimulus.sidecar import PlayedBurst, StaircaseStimulus, StimulusFile
from distsweep.stimulus.staircase_recipe import StaircaseRecipe
from distsweep.takes.cutting import one_marker, quiet_part
from distsweep.takes.placement import Placement
from distsweep.takes.recorded_band import recorded_band_hz
from distsweep.takes.recording import Recording
from distsweep.units import FloatArray


@dataclass(frozen=True)
class FoundStaircase:
    """A staircase found in its recordings and cut.

    ``missing`` names what is incomplete; ``placements`` has one item a file.
    """

    cut: CutStaircase
    clock_drift_ppm: float | None
    missing: list[Reason]
    placements: list[Placement]


def with_scale(placement: Placement, scale: float, *, start: float, end: float) -> Placement:
    """Return a placement by one marker with a clock's scale found by other means.

    ``start`` and ``end`` are the markers' places in the stimulus; the marker that was found keeps
    its place in the recording.
    """
    held = start if placement.markers == "start" else end
    place = placement.at(held)
    scale *= placement.rate_ratio
    return replace(placement, scale=scale, offset_samples=place - scale * held)


def cut_staircase(
    stimulus: StaircaseStimulus,
    recordings: Sequence[Recording],
    placements: Sequence[Placement],
) -> FoundStaircase:
    """Cut out every tone, with those of its bursts that are complete, and every silence.

    Raises
    ------
    InputError
        No burst on the way up is complete.
    """
    cut: list[CutTone] = []
    quiet: list[FloatArray] = []
    missing: list[Reason] = []
    for recording, placement, file in zip(recordings, placements, stimulus.files, strict=True):
        if placement.markers != "both":
            missing.append(one_marker(recording, placement, drift_from="tones"))
        quiet.append(quiet_part(recording, file, placement))
        upper_hz = recorded_band_hz(stimulus.recipe, recording)[1]
        for tone in tones(file):
            if tone.frequency_hz > upper_hz:
                found, absent = None, list(tone.bursts)
            else:
                found, absent = _cut_tone(stimulus.recipe, tone, recording, placement)
            if absent:
                missing.append(
                    _lost("not_recorded", absent, tone.bursts, recording=recording.path.name)
                )
            # The way down alone shows no gain change, and no level to compare with.
            if found and any(burst.direction == "up" for burst in found.bursts):
                cut.append(found)
    missing += _not_listed(stimulus)
    if not cut:
        raise InputError(
            f"{recordings[0].path}: holds no complete burst on the way up: record it again"
        )
    scales = [placement.clock_scale for placement in placements]
    known = all(p.markers == "both" for p in placements) or any(s != 1.0 for s in scales)
    scale = float(np.mean(scales))
    whole = CutStaircase(
        tones=cut,
        quiet=quiet,
        rate_hz=recordings[0].rate_hz,
        scale=scale,
        step=max(recording.step for recording in recordings),
    )
    return FoundStaircase(whole, (scale - 1.0) * 1e6 if known else None, missing, list(placements))


def cut_tones(
    stimulus: StaircaseStimulus, file: StimulusFile, recording: Recording, placement: Placement
) -> list[tuple[CutTone, list[PlayedBurst]]]:
    """Return every tone of a file with its complete bursts, and the bursts that are not.

    A tone above the recording's band is left out.
    """
    upper_hz = recorded_band_hz(stimulus.recipe, recording)[1]
    return [
        _cut_tone(stimulus.recipe, tone, recording, placement)
        for tone in tones(file)
        if tone.frequency_hz <= upper_hz
    ]


def _cut_tone(
    recipe: StaircaseRecipe, tone: Tone, recording: Recording, placement: Placement
) -> tuple[CutTone, list[PlayedBurst]]:
    """Return the tone with its complete bursts, and the bursts that are not."""
    first = max(0, round(placement.at(tone.first_sample)))
    last = min(len(recording.samples), round(placement.at(tone.end_sample)))
    signal = recording.samples[first : max(first, last)]
    bursts, absent = [], []
    for burst in tone.bursts:
        start = placement.at(burst.start_sample) - first
        end = placement.at(burst.start_sample + burst.samples) - first
        # A sample of slack: rounding must not lose the last burst.
        if start < -1.0 or end > len(signal) + 1.0:
            absent.append(burst)
        else:
            bursts.append(CutBurst(burst.level_dbfs, burst.direction, start, end))
    inside = np.searchsorted(recording.clipped_samples, [first, first + len(signal)])
    clipped = recording.clipped_samples[inside[0] : inside[1]] - first
    cut = CutTone(
        frequency_hz=tone.frequency_hz,
        recorded_hz=tone.frequency_hz / placement.clock_scale,
        rate_hz=recording.rate_hz,
        ramp_s=1e-3 * recipe.ramp_ms,
        rests_at_dbfs=recipe.levels_dbfs[0],
        signal=signal,
        bursts=bursts,
        clipped_samples=clipped,
    )
    return cut, absent


def _not_listed(stimulus: StaircaseStimulus) -> list[Reason]:
    """Name the bursts that the recipe asks for and the sidecar does not list."""
    recipe = stimulus.recipe
    listed = {
        (burst.frequency_hz, burst.level_dbfs, burst.direction)
        for file in stimulus.files
        for burst in file.bursts
    }
    named = []
    for frequency_hz in recipe.frequencies_hz:
        levels = [(level, "up") for level in recipe.levels_dbfs]
        levels += [(level, "down") for level in recipe.levels_dbfs[-2::-1]]
        every = [PlayedBurst(frequency_hz, level, way, 0, 0) for level, way in levels]
        lost = [
            burst
            for burst in every
            if (frequency_hz, burst.level_dbfs, burst.direction) not in listed
        ]
        if lost:
            named.append(_lost("not_listed", lost, every))
    return named


def _lost(
    what: str, lost: Sequence[PlayedBurst], played: Sequence[PlayedBurst], *, recording: str = ""
) -> Reason:
    """Name the bursts of a tone that are lost, among all that were, or were to be, played.

    The levels of each direction, and which of them are lost by their place among these.
    """
    up, down = (
        [burst for burst in played if burst.direction == direction] for direction in ("up", "down")
    )
    return Reason(
        "incomplete",
        what=what,
        recording=recording,
        tone_hz=played[0].frequency_hz,
        up_dbfs=[burst.level_dbfs for burst in up],
        down_dbfs=[burst.level_dbfs for burst in down],
        lost_up=[place for place, burst in enumerate(up) if burst in lost],
        lost_down=[place for place, burst in enumerate(down) if burst in lost],
    )
