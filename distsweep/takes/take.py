"""One take of a session: its recordings found and cut, and what its reader must know."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from distsweep.analysis.cut import CutLadder, CutStaircase
from distsweep.analysis.ladder import MeasuredLadder
from distsweep.analysis.settings import TakeSettings
from distsweep.reason import Reason
from distsweep.results import Conditions, Damage
from distsweep.stimulus.found_sweep import FoundStimulus
from distsweep.stimulus.recipe import LadderRecipe
from distsweep.stimulus.sidecar import LadderStimulus, StaircaseStimulus, Stimulus
from distsweep.stimulus.staircase_recipe import StaircaseRecipe
from distsweep.takes.channel_choice import on_a_channel
from distsweep.takes.cutting import (
    Clocked,
    FoundLadder,
    check_count,
    cut_ladder,
    marker_changes,
)
from distsweep.takes.doubts import level_band_doubts, take_doubts
from distsweep.takes.file_order import refuse_copies, refuse_ladder_order, refuse_repeated
from distsweep.takes.gain_moved import MarkerChange
from distsweep.takes.gain_warnings import ladder_gain_warnings, staircase_gain_warnings
from distsweep.takes.marker_search import Searching
from distsweep.takes.played import read_played
from distsweep.takes.recorded_band import band_cut, recorded_band_hz
from distsweep.takes.recording import Recording
from distsweep.takes.runs import Search, read_run, run_starts_s
from distsweep.takes.session import Session
from distsweep.takes.session_calibration import Calibration
from distsweep.takes.session_takes import TakeEntry
from distsweep.takes.sweep_identity import CLOCKS_PPM, check_sweeps

if TYPE_CHECKING:
    from distsweep.analysis.staircase import MeasuredStaircase
    from distsweep.takes.cutting_staircase import FoundStaircase

NEAR_FULL_SCALE = 0.9886
"""−0.1 dBFS: a level set so that it just fits is an accident more likely than a plan (chosen)."""

FINE_STEPS = 400.0
"""Steps of the encoding to a rung's peak from which rounding is 0.1 % of it or less, by its RMS of
1/√12 of a step over a sine's of 1/√2 of the peak."""

STILL_STEPS = 0.58
"""Spread of a silence, in steps, below which rounding makes harmonics instead of noise: half a step
of Gaussian noise, √(1/4 + 1/12) once rounded, leaves exp(−2π²/4) = 0.7 % of these, by its
characteristic function."""

DRIFT_WORTH_A_WORD_PPM = 20.0
"""Two clocks that differ by more are mentioned (chosen: one interface for both shows none)."""


@dataclass(frozen=True)
class FoundTake:
    """A take whose stimulus was found in its recordings and cut out of them.

    Attributes
    ----------
    entry : the take as listed.
    stimulus : what was played.
    recordings : one a file of the stimulus.
    cutting : the cut stimulus, the clocks' drift, and what is missing of it.
    marker_changes : one a file; None where a marker was not found.
    choices : what was chosen for want of being told: a channel, a run.
    """

    entry: TakeEntry
    stimulus: Stimulus | FoundStimulus
    recordings: list[Recording]
    cutting: FoundLadder | FoundStaircase
    marker_changes: list[MarkerChange | None]
    choices: list[Reason]

    @property
    def band_hz(self) -> tuple[float, float]:
        """The band that was measured: the stimulus's, as far as it was recorded."""
        return recorded_band_hz(self.stimulus.recipe, self.recordings[0])

    @property
    def cut(self) -> CutLadder | CutStaircase:
        """What the analysis measures."""
        return self.cutting.cut

    def in_file_time(self, damage: Sequence[Damage]) -> list[Damage]:
        """Return damage timed from its file's first sample, not from that of the stretch read."""
        begins_s = {
            recording.path.name: recording.first_sample / recording.rate_hz
            for recording in self.recordings
        }
        if not any(begins_s.values()):
            return list(damage)
        first_s = begins_s[self.recordings[0].path.name]
        return [
            replace(
                one,
                start_s=one.start_s + begins_s.get(one.recording, first_s),
                end_s=one.end_s + begins_s.get(one.recording, first_s),
            )
            for one in damage
        ]


def find_take(
    entry: TakeEntry, *, searching: Searching | None = None, clocked: Clocked | None = None
) -> FoundTake:
    """Read a take's recordings, find its stimulus in them, and cut it out.

    Where no channel was named, and the first is silent or holds no markers, it is looked for in
    the others. ``searching`` is told how far the search of a long recording is; ``clocked`` is as
    of `cut_ladder`.

    Raises
    ------
    InputError
        A file cannot be used, a recording does not hold its file of the stimulus, recordings are
        listed twice or in the wrong order, or nothing is complete.
    """
    refuse_repeated(entry.recordings)
    stimulus = read_played(entry.stimulus)
    if isinstance(stimulus, FoundStimulus):
        return on_a_channel(
            entry.channel,
            entry.recordings,
            lambda channel: _find_foreign(entry, stimulus, channel),
            loopback=entry.loopback_channel,
        )
    check_count(entry.recordings, stimulus)
    return on_a_channel(
        entry.channel,
        entry.recordings,
        lambda channel: _find_take(entry, stimulus, channel, searching=searching, clocked=clocked),
        loopback=entry.loopback_channel,
    )


EachRun = tuple[tuple[TakeEntry, ...], list[Reason]]


def each_run(entry: TakeEntry, *, searching: Searching | None = None) -> EachRun:
    """Return an entry for each run of the stimulus in a recording, and what is to be said of them.

    Where it is one run, it is the entry itself; so it is where the stimulus has no markers. Of
    several all but the first have their number behind the position's name, and each may fail.

    Raises
    ------
    InputError
        A file cannot be used, or the recording does not hold the stimulus.
    """
    stimulus = read_played(entry.stimulus)
    if isinstance(stimulus, FoundStimulus):
        return (entry,), []
    check_count(entry.recordings, stimulus)
    if len(entry.recordings) > 1:
        return (entry,), []
    (path,), (file,) = entry.recordings, stimulus.files

    def starts_on(channel: int) -> tuple[int, list[float]]:
        search = Search(stimulus.marker, file, channel, searching=searching)
        return channel, run_starts_s(path, search)

    channel, starts_s = on_a_channel(
        entry.channel, entry.recordings, starts_on, loopback=entry.loopback_channel
    )
    if len(starts_s) < 2:
        return (entry,), []
    entries = tuple(
        replace(
            entry,
            channel=channel,
            position=entry.position if number == 1 else f"{entry.position} {number}",
            number=number,
            may_fail=True,
        )
        for number in range(1, len(starts_s) + 1)
    )
    told = Reason("several_runs", recording=path.name, starts_s=starts_s, analysed="all")
    return entries, [*_other_channel(entry, [path], channel), told]


def _find_foreign(entry: TakeEntry, stimulus: FoundStimulus, channel: int) -> FoundTake:
    # Imported here: no stimulus with markers needs it.
    from distsweep.takes.foreign import cut_foreign, read_foreign

    recordings = read_foreign(entry.recordings, stimulus, channel=channel, number=entry.number)
    ladder = cut_foreign(stimulus, recordings)
    choices = _other_channel(entry, entry.recordings, channel)
    return FoundTake(entry, stimulus, recordings, ladder, [None], choices)


def _find_take(
    entry: TakeEntry,
    stimulus: Stimulus,
    channel: int,
    *,
    searching: Searching | None,
    clocked: Clocked | None,
) -> FoundTake:
    recordings, choices = [], []
    for path, file in zip(entry.recordings, stimulus.files, strict=True):
        search = Search(stimulus.marker, file, channel, entry.number, searching)
        recording, told = read_run(path, search)
        recordings.append(recording)
        choices += told
    choices += _other_channel(entry, entry.recordings, channel)
    if isinstance(stimulus, LadderStimulus):
        ladder = cut_ladder(stimulus, recordings, clocked=clocked)
        recordings = ladder.recordings
        refuse_ladder_order(stimulus, recordings, ladder.placements)
        refuse_copies(recordings, stimulus.files)
        return FoundTake(entry, stimulus, recordings, ladder, ladder.marker_changes, choices)
    return _find_staircase(entry, stimulus, recordings, choices)


def _other_channel(entry: TakeEntry, paths: Sequence[Path], channel: int) -> list[Reason]:
    """Say so where not the channel that was named, or else the first, was taken."""
    expected = 2 if entry.loopback_channel == 1 else 1
    if channel == (entry.channel or expected):
        return []
    return [Reason("other_channel", recordings=[path.name for path in paths], channel=channel)]


def _find_staircase(
    entry: TakeEntry,
    stimulus: StaircaseStimulus,
    recordings: list[Recording],
    choices: list[Reason],
) -> FoundTake:
    # Imported here: what proves tones loads the analysis of tones, which no ladder needs.
    from distsweep.takes.cutting_staircase import cut_staircase
    from distsweep.takes.tone_identity import placed_staircase

    placements = placed_staircase(stimulus, recordings)
    staircase = cut_staircase(stimulus, recordings, placements)
    changes = marker_changes(stimulus, zip(recordings, stimulus.files, placements, strict=True))
    return FoundTake(entry, stimulus, recordings, staircase, changes, choices)


def take_settings(
    recipe: LadderRecipe | StaircaseRecipe,
    calibration: Calibration,
    conditions: Conditions,
    *,
    band_hz: tuple[float, float] | None = None,
) -> TakeSettings:
    """Return what the analysis of a take goes by.

    ``band_hz`` is the band that was recorded; None: the recipe's.
    """
    return TakeSettings(
        band_hz=band_hz or recipe.band_hz,
        order=recipe.order,
        correction_db=calibration.correction_db,
        level_offset_db=calibration.level_offset_db,
        level_band_hz=conditions.averaged_hz,
        calibrated=calibration.pascal_per_fs is not None,
    )


def take_warnings(
    take: FoundTake,
    measured: MeasuredLadder | MeasuredStaircase,
    settings: TakeSettings,
    session: Session,
) -> list[Reason]:
    """Return what the reader of a take's numbers must know, in the order of its discovery.

    Raises
    ------
    InputError
        The sweeps are not those of the stimulus, or ran at no speed that explains the markers.
    """
    silent: list[Reason] = []
    level_band: list[Reason] = []
    coarse: list[Reason] = []
    moved: list[Reason] = []
    rungs = 0
    # A ladder's proof needs its measurement; a staircase's tones were proved when it was found.
    if isinstance(take.cutting, FoundLadder):
        assert isinstance(measured, MeasuredLadder)
        silent, rungs = check_sweeps(take.recordings, take.cutting, measured), len(measured.rungs)
        if isinstance(take.stimulus, LadderStimulus):
            moved = ladder_gain_warnings(take.stimulus, take.marker_changes, measured)
        level_band = level_band_doubts(measured.frequency_hz, settings)
        coarse = _coarse_steps(take.cutting.cut)
    else:
        moved = staircase_gain_warnings(take.marker_changes)
    mic = session.calibration_of(take.entry).mic
    mixed = session.calibrated and not settings.calibrated
    return [
        *take.choices,
        *take.cutting.missing,
        *band_cut(take.stimulus.recipe, take.recordings[0]),
        *_clock_drift(take.cutting.clock_drift_ppm, rungs),
        *([] if measured.background is not None else [Reason("no_background")]),
        *silent,
        *measured.warnings,
        *moved,
        *_near_full_scale(take.recordings),
        *coarse,
        *take_doubts(measured.background, settings, mic),
        *level_band,
        *([Reason("uncalibrated", whole_session=False)] if mixed else []),
    ]


def _clock_drift(drift_ppm: float | None, rungs: int) -> list[Reason]:
    if drift_ppm is None or abs(drift_ppm) <= DRIFT_WORTH_A_WORD_PPM:
        return []
    return [Reason("clock_drift", drift_ppm=drift_ppm, clocks_ppm=CLOCKS_PPM, one_sweep=rungs == 1)]


def _near_full_scale(recordings: list[Recording]) -> list[Reason]:
    """Name recordings that touch full scale without a flat top that proves clipping."""
    return [
        Reason("near_full_scale", recording=recording.path.name, peak=recording.peak)
        for recording in recordings
        if NEAR_FULL_SCALE <= recording.peak <= 1.0 and not len(recording.clipped_samples)
    ]


def _coarse_steps(cut: CutLadder) -> list[Reason]:
    """Name rungs so few of the encoding's steps high that rounding looks like distortion."""
    silences = [quiet for quiet in cut.quiet if quiet.size]
    if not any(np.std(quiet) < STILL_STEPS * cut.step for quiet in silences):
        return []
    peaks = [(rung, max(float(np.max(np.abs(s))) for s in rung.signals)) for rung in cut.rungs]
    low = {rung.drive_dbfs: peak for rung, peak in peaks if peak < FINE_STEPS * cut.step}
    if not low:
        return []
    steps = round(min(low.values()) / cut.step)
    return [Reason("coarse_steps", drives_dbfs=sorted(low), steps=steps)]
