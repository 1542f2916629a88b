"""A rung judged by the package's own analysis before the next one plays."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from distsweep.analysis.sweep.gain_step import find_step
from distsweep.analysis.take import measure_take
from distsweep.capture.pace import Pace, now_s
from distsweep.capture.response import POINTS_PER_OCTAVE, Response
from distsweep.errors import InputError
from distsweep.results import Conditions, Rung
from distsweep.stimulus.sidecar import LadderStimulus, StimulusFile
from distsweep.stimulus.sweep import Sweep
from distsweep.takes.cutting import cut_ladder
from distsweep.takes.gain_moved import MarkerChange
from distsweep.takes.recording import read_recording
from distsweep.takes.session_calibration import Calibration
from distsweep.takes.take import take_settings
from distsweep.units import FloatArray, ratio_to_db
from distsweep.words.warnings import marker_heard

EFFECTIVE_RANGE_DB = 10.0
"""Largest distance of the fundamental below the rung's level at which THD counts: the effective
frequency range of IEC 60268-5 (from memory). Far below it, at 20 Hz on a small loudspeaker,
100 % is usual and says nothing about distress."""

MEDIAN_POINTS = 17
"""Points, 48 an octave, over whose running median THD counts (chosen: a third of an octave, so that
no single dip of the fundamental stops a capture)."""

MOVED_STOPS_DB = 3.0
"""A gain that moved by more within a rung ends the ladder before the next (a
requirement of capture)."""


@dataclass(frozen=True)
class Verdict:
    """What the analysis says of a rung.

    Attributes
    ----------
    level_db : over the level band; dB SPL, or dBFS while uncalibrated; NaN where no frequency of
        that band was measured.
    thd_percent, thd_hz : the highest THD (third-octave median) and where; None where no THD
        stands clear of the noise.
    clock_drift_ppm : recorder's clock re the player's.
    marker_change : level of the marker after the rung re the one before it.
    """

    level_db: float
    thd_percent: float | None
    thd_hz: float | None
    clock_drift_ppm: float | None
    marker_change: MarkerChange | None = None


def judge_rung(
    stimulus: LadderStimulus,
    file: StimulusFile,
    path: Path,
    *,
    channel: int,
    calibration: Calibration,
    conditions: Conditions,
) -> Verdict:
    """Analyse the recording of one file of a split stimulus.

    Raises
    ------
    InputError
        The stimulus is not in the recording: samples were lost, or it was drowned.
    """
    rungs = tuple(dataclasses.replace(rung, role="rung") for rung in file.rungs)
    alone = dataclasses.replace(stimulus, files=(dataclasses.replace(file, rungs=rungs),))
    found = cut_ladder(alone, [read_recording(path, channel=channel)])
    measured = measure_take(found.cut, take_settings(stimulus.recipe, calibration, conditions))
    level_db = measured.level_db[0]
    worst = worst_thd(measured.rungs[0], measured.frequency_hz, level_db)
    return Verdict(
        level_db=level_db,
        thd_percent=None if worst is None else worst[0],
        thd_hz=None if worst is None else worst[1],
        clock_drift_ppm=found.clock_drift_ppm,
        marker_change=found.marker_changes[0],
    )


def time_judging(
    stimulus: LadderStimulus,
    path: Path,
    *,
    calibration: Calibration,
    conditions: Conditions,
    besides: Callable[[], object],
) -> None:
    """Measure, once a process, what judging a second of a recording takes on this computer.

    Parameters
    ----------
    stimulus, path : of a probe; where it was drowned, nothing is measured.
    besides : does what else is computed between one rung and the next.
    """
    # What is loaded at the first verdict is no part of the others.
    import distsweep.analysis.ladder  # noqa: F401

    if Pace.judged_s_a_second is not None:
        return
    file, began_s = stimulus.files[0], now_s()
    with suppress(InputError):
        judge_rung(stimulus, file, path, channel=1, calibration=calibration, conditions=conditions)
        besides()
        Pace.judged_s_a_second = (now_s() - began_s) * stimulus.recipe.rate_hz / file.samples


def gain_notice(
    change: MarkerChange | None, stretch: str, *, response: Response, before: Response, sweep: Sweep
) -> str | None:
    """Return the sentence on a gain that moved while a rung played; None if none did for sure.

    Parameters
    ----------
    response, before : measured with this rung, and with the one before it: where the one steps
        against the other, and by as much as the markers, is when the gain was moved.
    """
    if change is None or not change.worth_a_word:
        return None
    octaves = float(np.log2(sweep.full_to_hz / sweep.full_from_hz))
    steps = np.arange(int(octaves * POINTS_PER_OCTAVE) + 1)
    grid = np.asarray(sweep.full_from_hz * 2.0 ** (steps / POINTS_PER_OCTAVE))
    (now, noise), (then, _) = response.gains(grid), before.gains(grid)
    ratio_db = np.where(now > 2.0 * noise, ratio_to_db(now / np.maximum(then, 1e-12)), np.nan)
    place = find_step(ratio_db, change.change_db)
    where = ""
    if place is not None:
        at_s = float(sweep.time_of_s(float(grid[place])))
        where = f" (the step is seen {at_s:.1f} s into the sweep, at {grid[place]:.0f} Hz)"
    return marker_heard(stretch, change_db=change.change_db, cause=change.cause, where=where)


def worst_thd(rung: Rung, frequency_hz: FloatArray, level_db: float) -> tuple[float, float] | None:
    """Return the highest third-octave median of THD in the effective range, and where.

    Returns
    -------
    Percent of the fundamental and Hz; None where nothing is reliable.
    """
    counts = rung.thd_reliable & (rung.fundamental_db >= level_db - EFFECTIVE_RANGE_DB)
    thd = np.where(counts, rung.thd_percent, np.nan)
    if len(thd) < MEDIAN_POINTS:
        return None
    windows = np.lib.stride_tricks.sliding_window_view(thd, MEDIAN_POINTS)
    enough = np.sum(np.isfinite(windows), axis=1) > MEDIAN_POINTS // 2
    if not np.any(enough):
        return None
    medians = np.full(len(windows), -np.inf)
    medians[enough] = np.nanmedian(windows[enough], axis=1)
    best = int(np.argmax(medians))
    return float(medians[best]), float(frequency_hz[best + MEDIAN_POINTS // 2])
