"""The dose of a stimulus on a loudspeaker that is taken as flat."""

from __future__ import annotations

import numpy as np

from distsweep.analysis.weighting import a_weighting_db
from distsweep.capture.exposure import Exposure, exposures_of
from distsweep.capture.plan import COURSE_STEP_S
from distsweep.stimulus.marker import Marker
from distsweep.stimulus.sidecar import LadderStimulus, PlayedBurst, Stimulus
from distsweep.stimulus.sweep import Sweep
from distsweep.units import FloatArray, ratio_to_db


def stimulus_exposures(stimulus: Stimulus, spl_at_0dbfs_db: float) -> list[Exposure]:
    """Return the exposures of a stimulus, markers included.

    Parameters
    ----------
    spl_at_0dbfs_db : level of a 0 dBFS sine at the listener's place, at every frequency.
    """
    chirp_dba = _chirp_dba(stimulus.marker)
    courses: list[FloatArray] = []
    for file in stimulus.files:
        courses += 2 * [chirp_dba]
        if isinstance(stimulus, LadderStimulus):
            course_dba = _sweep_dba(stimulus.sweep)
            courses += [course_dba + rung.drive_dbfs for rung in file.rungs]
        courses += [_burst_dba(burst, stimulus.recipe.rate_hz) for burst in file.bursts]
    return exposures_of(np.concatenate(courses) + spl_at_0dbfs_db, step_s=COURSE_STEP_S)


def _chirp_dba(marker: Marker) -> FloatArray:
    """A-weighted course of a marker re a sine at 0 dBFS, one value a step."""
    times_s = np.arange(0.0, marker.samples / marker.rate_hz, COURSE_STEP_S)
    fall = np.log(marker.stop_hz / marker.start_hz) * marker.rate_hz / marker.samples
    passed_hz = marker.start_hz * np.exp(fall * times_s)
    return np.asarray(a_weighting_db(passed_hz) + marker.level_dbfs)


def _sweep_dba(sweep: Sweep) -> FloatArray:
    """A-weighted course of a sweep at 0 dBFS; its fades are counted at full drive."""
    times_s = np.arange(0.0, sweep.duration_s, COURSE_STEP_S)
    passed_hz = sweep.frequency_at_hz(times_s)
    return np.asarray(a_weighting_db(passed_hz) + ratio_to_db(sweep.drive_ratio(passed_hz)))


def _burst_dba(burst: PlayedBurst, rate_hz: float) -> FloatArray:
    steps = max(1, round(burst.samples / rate_hz / COURSE_STEP_S))
    weight_db = float(a_weighting_db(np.array([burst.frequency_hz]))[0])
    return np.full(steps, weight_db + burst.level_dbfs)
