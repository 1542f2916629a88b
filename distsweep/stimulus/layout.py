"""Laying rungs and markers out in one file, or in one file a rung."""

from __future__ import annotations

import numpy as np

from distsweep.stimulus.marker import Marker, design_marker
from distsweep.stimulus.recipe import LadderRecipe
from distsweep.stimulus.sidecar import LadderStimulus, PlayedRung, StimulusFile
from distsweep.stimulus.sweep import Sweep, design_sweep
from distsweep.units import FloatArray, db_to_ratio

LEAD_S = 0.25
"""Silence before the start marker (chosen: players that swallow the first instant do no harm)."""

AFTER_MARKER_S = 0.5
"""Silence in which the marker dies away before the background is measured (chosen)."""

TAIL_S = 0.5
"""Silence after the end marker (chosen)."""

MARKER_ABOVE_FIRST_DB = 10.0
"""Level of the markers above the first rung; they are never above the last (chosen: a rung at the
bottom of a ladder may lie near the background, and nobody should be startled)."""


def lay_out(recipe: LadderRecipe, *, split: bool = False) -> LadderStimulus:
    """Place every marker, silence and sweep of a recipe; nothing is computed sample by sample.

    The files' SHA-256 are empty until ``write_stimulus`` has written them.
    """
    sweep = design_sweep(
        rate_hz=recipe.rate_hz,
        band_hz=recipe.band_hz,
        sweep_s=recipe.sweep_s,
        reduce_drive_below_hz=recipe.reduce_drive_below_hz,
    )
    levels_dbfs = recipe.levels_dbfs
    marker = design_marker(
        rate_hz=recipe.rate_hz,
        band_hz=recipe.band_hz,
        level_dbfs=min(levels_dbfs[0] + MARKER_ABOVE_FIRST_DB, levels_dbfs[-1]),
    )
    played = [(level_dbfs, "rung") for level_dbfs in levels_dbfs]
    if recipe.return_rung:
        played.append((levels_dbfs[0], "return"))
    groups = [[item] for item in played] if split else [played]
    files = tuple(
        _place(recipe, sweep, marker, group, f"{recipe.name}-{i:02d}" if split else recipe.name)
        for i, group in enumerate(groups, start=1)
    )
    return LadderStimulus(recipe=recipe, sweep=sweep, marker=marker, files=files)


def render(stimulus: LadderStimulus, file: StimulusFile) -> FloatArray:
    """Return the samples of one file, shape ``(file.samples,)``, full scale 1."""
    waveform = markers_alone(stimulus.marker, file)
    sweep = stimulus.sweep.waveform()
    for rung in file.rungs:
        end = rung.start_sample + len(sweep)
        waveform[rung.start_sample : end] = db_to_ratio(rung.drive_dbfs) * sweep
    return waveform


def markers_alone(marker: Marker, file: StimulusFile) -> FloatArray:
    """Return the samples of a file with its markers, and silence where something is played."""
    waveform = np.zeros(file.samples)
    chirp = db_to_ratio(marker.level_dbfs) * marker.waveform()
    for start in (file.start_marker_sample, file.end_marker_sample):
        waveform[start : start + len(chirp)] = chirp
    return waveform


def _place(
    recipe: LadderRecipe,
    sweep: Sweep,
    marker: Marker,
    played: list[tuple[float, str]],
    name: str,
) -> StimulusFile:
    def samples(seconds: float) -> int:
        return round(seconds * recipe.rate_hz)

    start_marker = samples(LEAD_S)
    quiet_from = start_marker + marker.samples + samples(AFTER_MARKER_S)
    place = quiet_to = quiet_from + samples(recipe.quiet_s)
    rungs = []
    for drive_dbfs, role in played:
        for repeat in range(recipe.repeats):
            rungs.append(PlayedRung(drive_dbfs, role, repeat, place))
            place += sweep.samples + samples(recipe.pause_s)
    return StimulusFile(
        name=name,
        sha256="",
        samples=place + marker.samples + samples(TAIL_S),
        start_marker_sample=start_marker,
        end_marker_sample=place,
        quiet_samples=(quiet_from, quiet_to),
        rungs=tuple(rungs),
    )
