"""Laying the bursts of a staircase out in one file, or in one file a frequency."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from distsweep.stimulus.layout import (
    AFTER_MARKER_S,
    LEAD_S,
    MARKER_ABOVE_FIRST_DB,
    TAIL_S,
    markers_alone,
)
from distsweep.stimulus.marker import Marker, design_marker
from distsweep.stimulus.sidecar import PlayedBurst, StaircaseStimulus, StimulusFile
from distsweep.stimulus.staircase_recipe import StaircaseRecipe
from distsweep.units import FloatArray, db_to_ratio


@dataclass(frozen=True)
class Tone:
    """The tone of one frequency: from where it sounds, until where, and its bursts.

    ``first_sample`` is where its phase is zero and its fade-in begins; it has faded out at
    ``end_sample``.
    """

    frequency_hz: float
    first_sample: int
    end_sample: int
    bursts: tuple[PlayedBurst, ...]


def lay_out_staircase(recipe: StaircaseRecipe, *, split: bool = False) -> StaircaseStimulus:
    """Place every marker, silence and burst of a recipe; nothing is computed sample by sample.

    The files' SHA-256 are empty until ``write_stimulus`` has written them.
    """
    levels_dbfs = recipe.levels_dbfs
    marker = design_marker(
        rate_hz=recipe.rate_hz,
        band_hz=(20.0, recipe.band_hz[1]),
        level_dbfs=max(min(levels_dbfs[0] + MARKER_ABOVE_FIRST_DB, levels_dbfs[-1]), -60.0),
    )
    frequencies_hz = recipe.frequencies_hz
    groups = [(f,) for f in frequencies_hz] if split else [frequencies_hz]
    files = tuple(
        _place(recipe, marker, group, f"{recipe.name}-{i:02d}" if split else recipe.name)
        for i, group in enumerate(groups, start=1)
    )
    return StaircaseStimulus(recipe=recipe, marker=marker, files=files)


def _place(
    recipe: StaircaseRecipe, marker: Marker, frequencies_hz: tuple[float, ...], name: str
) -> StimulusFile:
    rate_hz = recipe.rate_hz
    start_marker = round(LEAD_S * rate_hz)
    quiet_from = start_marker + marker.samples + round(AFTER_MARKER_S * rate_hz)
    place = quiet_to = quiet_from + round(recipe.quiet_s * rate_hz)
    bursts: list[PlayedBurst] = []
    for frequency_hz in frequencies_hz:
        placed = _bursts_at(recipe, frequency_hz, place)
        bursts += placed
        place = placed[-1].start_sample + placed[-1].samples + round(recipe.pause_s * rate_hz)
    return StimulusFile(
        name=name,
        sha256="",
        samples=place + marker.samples + round(TAIL_S * rate_hz),
        start_marker_sample=start_marker,
        end_marker_sample=place,
        quiet_samples=(quiet_from, quiet_to),
        rungs=(),
        bursts=tuple(bursts),
    )


def _bursts_at(recipe: StaircaseRecipe, frequency_hz: float, place: int) -> list[PlayedBurst]:
    """Place the bursts of one frequency: up to the loudest, then down to the lowest."""
    hold, rest, release = (
        round(seconds * recipe.rate_hz)
        for seconds in (recipe.hold_s, recipe.rest_s, recipe.release_s)
    )
    loudest = recipe.levels_dbfs[-1]
    steps = [(level_dbfs, "up") for level_dbfs in recipe.levels_dbfs]
    steps += [(level_dbfs, "down") for level_dbfs in recipe.levels_dbfs[-2::-1]]
    bursts = []
    for level_dbfs, direction in steps:
        bursts.append(PlayedBurst(frequency_hz, level_dbfs, direction, place, hold))
        is_loudest = direction == "up" and level_dbfs == loudest
        place += hold + (release if is_loudest else rest)
    return bursts


def tones(file: StimulusFile) -> list[Tone]:
    """Group the bursts of a file by frequency, in the order played."""
    found: list[Tone] = []
    for burst in file.bursts:
        end = burst.start_sample + burst.samples
        if found and found[-1].frequency_hz == burst.frequency_hz:
            found[-1] = replace(found[-1], end_sample=end, bursts=(*found[-1].bursts, burst))
        else:
            found.append(Tone(burst.frequency_hz, burst.start_sample, end, (burst,)))
    return found


def render_staircase(stimulus: StaircaseStimulus, file: StimulusFile) -> FloatArray:
    """Return the samples of one file, shape ``(file.samples,)``, full scale 1."""
    waveform = markers_alone(stimulus.marker, file)
    recipe = stimulus.recipe
    for tone in tones(file):
        count = tone.end_sample - tone.first_sample
        time_s = np.arange(count) / recipe.rate_hz
        wave = np.sin(2.0 * np.pi * tone.frequency_hz * time_s)
        envelope = envelope_at(tone, recipe, np.arange(float(count)) + tone.first_sample)
        waveform[tone.first_sample : tone.end_sample] = wave * envelope
    return waveform


def envelope_at(tone: Tone, recipe: StaircaseRecipe, place: FloatArray) -> FloatArray:
    """Return the drive's amplitude at places given in samples of the stimulus.

    A burst's level is reached by a raised cosine that begins at its start; the step back
    begins at its end. The whole tone fades in and out by the same.
    """
    ramp = recipe.ramp_ms * 1e-3 * recipe.rate_hz
    resting = float(db_to_ratio(recipe.levels_dbfs[0]))
    envelope = np.zeros(len(place))
    steps = [(tone.first_sample, resting), (tone.end_sample - ramp, -resting)]
    for burst in tone.bursts:
        rise = float(db_to_ratio(burst.level_dbfs)) - resting
        if rise > 0.0:
            end = burst.start_sample + burst.samples
            if end == tone.end_sample:
                end -= round(ramp)
            steps += [(burst.start_sample, rise), (end, -rise)]
    for start, height in steps:
        first, last = np.searchsorted(place, [start, start + ramp])
        inside = place[first:last]
        envelope[first:last] += height * 0.5 * (1.0 - np.cos(np.pi * (inside - start) / ramp))
        envelope[last:] += height
    return envelope
