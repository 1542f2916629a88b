"""The way of a staircase's take: from its recordings to its part of the results."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from distsweep.analysis.noise.background import describe_background, noise_spectrum
from distsweep.analysis.tone.bursts import StaircaseSettings
from distsweep.analysis.tone.staircase import read_staircase
from distsweep.pipeline_gain import staircase_gain_warnings
from distsweep.results import Take, Warning_
from distsweep.stimulus.sidecar import StaircaseStimulus
from distsweep.takes.cutting_staircase import cut_staircase
from distsweep.takes.gain_moved import marker_change
from distsweep.takes.identity_tones import placed_staircase
from distsweep.takes.recording import Recording
from distsweep.takes.session import Calibration, TakeEntry


def analyse_staircase_take(
    entry: TakeEntry,
    stimulus: StaircaseStimulus,
    recordings: Sequence[Recording],
    calibration: Calibration,
) -> tuple[Take, list[Warning_]]:
    """Analyse one take of a staircase.

    Raises
    ------
    InputError
        A recording does not hold its file of the stimulus, or no burst is complete.
    """
    recipe = stimulus.recipe
    placements = placed_staircase(stimulus, recordings)
    found = cut_staircase(stimulus, recordings, placements)
    cut = found.cut
    noise = noise_spectrum(cut.quiet, rate_hz=cut.rate_hz, step=cut.step)
    settings = StaircaseSettings(
        levels_dbfs=recipe.levels_dbfs,
        ramp_s=1e-3 * recipe.ramp_ms,
        order=recipe.order,
        highest_hz=recipe.band_hz[1],
        correction_db=calibration.correction_db,
    )
    reading = read_staircase(
        cut, settings, noise=noise, level_offset_db=calibration.level_offset_db
    )
    background = None
    if noise is not None:
        background = describe_background(
            noise,
            band_hz=recipe.band_hz,
            level_offset_db=calibration.level_offset_db,
            correction_db=calibration.correction_db,
        )
    frequency_hz = np.array([row.frequency_hz for row in reading.staircase])
    take = Take(
        position=entry.position,
        stimulus=entry.stimulus.name,
        kind=recipe.kind,
        clock_drift_ppm=found.clock_drift_ppm,
        level_unit=calibration.level_unit,
        frequency_hz=frequency_hz,
        band_hz=list(recipe.band_hz),
        drive_shape_db=np.zeros(len(frequency_hz)),
        rungs=[],
        clean_level=reading.clean_level,
        background=background,
        staircase=reading.staircase,
        high_order_onset=reading.high_order_onset,
    )
    incomplete = [Warning_("incomplete", f"{text}.") for text in found.missing]
    changes = [
        marker_change(recording, marker=stimulus.marker, file=file, placement=placement)
        for recording, file, placement in zip(recordings, stimulus.files, placements, strict=True)
    ]
    return take, [*incomplete, *reading.warnings, *staircase_gain_warnings(changes)]
