"""The way of a staircase's take: from its recordings to its part of the results."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from distsweep.analysis.settings import TakeSettings
from distsweep.analysis.staircase import measure_staircase
from distsweep.conversion_staircase import staircase_record, staircase_warning
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
    settings = TakeSettings(
        band_hz=recipe.band_hz,
        order=recipe.order,
        correction_db=calibration.correction_db,
        level_offset_db=calibration.level_offset_db,
    )
    measured = measure_staircase(found.cut, settings)
    take = Take(
        position=entry.position,
        stimulus=entry.stimulus.name,
        kind=recipe.kind,
        clock_drift_ppm=found.clock_drift_ppm,
        level_unit=calibration.level_unit,
        frequency_hz=measured.frequency_hz,
        band_hz=list(recipe.band_hz),
        drive_shape_db=np.zeros(len(measured.frequency_hz)),
        rungs=[],
        clean_level=measured.clean_level,
        background=measured.background,
        staircase=[staircase_record(tone) for tone in measured.tones],
        high_order_onset=measured.high_order_onset,
    )
    warnings = [staircase_warning(reason) for reason in measured.warnings]
    incomplete = [Warning_("incomplete", f"{text}.") for text in found.missing]
    changes = [
        marker_change(recording, marker=stimulus.marker, file=file, placement=placement)
        for recording, file, placement in zip(recordings, stimulus.files, placements, strict=True)
    ]
    return take, [*incomplete, *warnings, *staircase_gain_warnings(changes)]
