"""Cutting a recording of a staircase into its tones and bursts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.cut import CutBurst, CutStaircase, CutTone
from distsweep.errors import InputError
from distsweep.stimulus.bursts import Tone, tones
from distsweep.stimulus.sidecar import PlayedBurst, StaircaseStimulus, StimulusFile
from distsweep.stimulus.staircase_recipe import StaircaseRecipe
from distsweep.takes.placement import Placement, place_stimulus
from distsweep.takes.recording import Recording
from distsweep.units import FloatArray


@dataclass(frozen=True)
class FoundStaircase:
    """A staircase found in its recordings and cut; ``missing`` names what is incomplete."""

    cut: CutStaircase
    clock_drift_ppm: float | None
    missing: list[str]


def place_staircase(
    stimulus: StaircaseStimulus, recordings: Sequence[Recording]
) -> list[Placement]:
    """Find every file of a stimulus in its recording.

    Raises
    ------
    InputError
        The number of recordings is not that of the stimulus's files, or a recording does
        not hold its file.
    """
    if len(recordings) != len(stimulus.files):
        raise InputError(
            f"{recordings[0].path}: {len(recordings)} recording(s) given, the stimulus has"
            f" {len(stimulus.files)} file(s): list one recording a file, in order"
        )
    return [
        place_stimulus(recording, marker=stimulus.marker, file=file)
        for recording, file in zip(recordings, stimulus.files, strict=True)
    ]


def with_scale(placement: Placement, scale: float, *, start: float, end: float) -> Placement:
    """Return a placement by one marker with a scale found by other means.

    ``start`` and ``end`` are the markers' places in the stimulus: the one found stays put.
    """
    held = start if placement.markers == "start" else end
    place = placement.at(held)
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
        No burst is complete.
    """
    cut: list[CutTone] = []
    quiet: list[FloatArray] = []
    missing: list[str] = []
    for recording, placement, file in zip(recordings, placements, stimulus.files, strict=True):
        if placement.markers != "both":
            missing.append(
                f"{recording.path.name}: only the {placement.markers} marker was found:"
                " the clock drift was taken from the tones"
            )
        first, last = (max(0, round(placement.at(s))) for s in file.quiet_samples)
        quiet.append(recording.samples[first:last])
        for tone, (found, absent) in zip(
            tones(file), cut_tones(stimulus, file, recording, placement), strict=True
        ):
            missing += [f"{recording.path.name}: {text}" for text in _named(tone, absent)]
            if found.bursts:
                cut.append(found)
    missing += _not_listed(stimulus)
    if not cut:
        raise InputError(
            f"{recordings[0].path}: holds no complete burst of the stimulus: record it again"
        )
    scales = [placement.scale for placement in placements]
    known = all(p.markers == "both" for p in placements) or any(s != 1.0 for s in scales)
    scale = float(np.mean(scales))
    whole = CutStaircase(
        tones=cut,
        quiet=quiet,
        rate_hz=stimulus.recipe.rate_hz,
        scale=scale,
        step=max(recording.step for recording in recordings),
    )
    return FoundStaircase(whole, (scale - 1.0) * 1e6 if known else None, missing)


def cut_tones(
    stimulus: StaircaseStimulus, file: StimulusFile, recording: Recording, placement: Placement
) -> list[tuple[CutTone, list[PlayedBurst]]]:
    """Return every tone of a file with its complete bursts, and the bursts that are not."""
    return [_cut_tone(stimulus.recipe, tone, recording, placement) for tone in tones(file)]


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
        recorded_hz=tone.frequency_hz / placement.scale,
        rate_hz=recipe.rate_hz,
        ramp_s=1e-3 * recipe.ramp_ms,
        rests_at_dbfs=recipe.levels_dbfs[0],
        signal=signal,
        bursts=bursts,
        clipped_samples=clipped,
    )
    return cut, absent


def _named(tone: Tone, absent: Sequence[PlayedBurst]) -> list[str]:
    """Name what was not recorded of a tone, in a line."""
    if not absent:
        return []
    if len(absent) == len(tone.bursts):
        return [f"no burst at {tone.frequency_hz:g} Hz was recorded"]
    return [
        f"at {tone.frequency_hz:g} Hz {len(absent)} of {len(tone.bursts)} bursts were not"
        f" recorded and are left out: {_levels(absent, tone.bursts)}"
    ]


def _not_listed(stimulus: StaircaseStimulus) -> list[str]:
    """Name the bursts that the recipe asks for and the sidecar does not list."""
    recipe = stimulus.recipe
    listed = {
        (burst.frequency_hz, burst.level_dbfs, burst.direction)
        for file in stimulus.files
        for burst in file.bursts
    }
    named = []
    for frequency_hz in recipe.frequencies_hz:
        asked = [(level, "up") for level in recipe.levels_dbfs]
        asked += [(level, "down") for level in recipe.levels_dbfs[-2::-1]]
        every = [PlayedBurst(frequency_hz, level, way, 0, 0) for level, way in asked]
        lost = [
            burst
            for burst in every
            if (frequency_hz, burst.level_dbfs, burst.direction) not in listed
        ]
        if lost:
            named.append(
                f"the sidecar lists no burst at {frequency_hz:g} Hz for"
                f" {_levels(lost, every)}, which its recipe asks for"
            )
    return named


def _levels(bursts: Sequence[PlayedBurst], played: Sequence[PlayedBurst]) -> str:
    """Write levels as runs of neighbours among all played: "−18 to −4 dBFS up, −6 dBFS down"."""
    parts = []
    for direction in ("up", "down"):
        order = [burst.level_dbfs for burst in played if burst.direction == direction]
        runs: list[list[int]] = []
        for burst in bursts:
            if burst.direction != direction:
                continue
            place = order.index(burst.level_dbfs)
            if runs and runs[-1][-1] == place - 1:
                runs[-1].append(place)
            else:
                runs.append([place])
        for run in runs:
            first, last = f"{order[run[0]]:g}", f"{order[run[-1]]:g}"
            ends = first if len(run) == 1 else f"{first} to {last}"
            parts.append(f"{ends} dBFS {direction}")
    return ", ".join(parts).replace("-", "−")
