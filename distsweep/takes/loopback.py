"""The loop-back beside a microphone: the output wired back to another input of the interface.

It holds the stimulus without loudspeaker, room and noise: clocks are read off its markers, the time
that sound takes from there to the microphone, and (`distsweep.analysis.sweep.interface`) what the
interface distorts by itself. It is read, cut and measured before the microphone's channel is read,
so that one channel's samples are held at a time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.cut import CutLadder
from distsweep.analysis.resonance.causes import sound_speed_m_per_s
from distsweep.errors import InputError, NoSignalError
from distsweep.reason import Reason
from distsweep.results import Conditions, Loopback
from distsweep.stimulus.found_sweep import FoundStimulus
from distsweep.stimulus.sidecar import LadderStimulus, Stimulus
from distsweep.takes.cutting import (
    FoundLadder,
    check_count,
    cut_ladder,
    mean_drift_ppm,
    place_files,
)
from distsweep.takes.marker_search import Searching
from distsweep.takes.placement import Placement
from distsweep.takes.played import read_played
from distsweep.takes.recorded_band import recorded_band_hz
from distsweep.takes.recording import Recording
from distsweep.takes.runs import Search, read_run
from distsweep.takes.session_takes import TakeEntry
from distsweep.takes.take import FoundTake

USUAL_TEMPERATURE_C = 20.0
"""Of the air where nobody noted it (chosen: a living room's; 10 °C more or less move the speed of
sound by 2 %)."""

EARLIEST_MS, LATEST_MS = -0.3, 1000.0
"""A microphone hears what a loop-back holds within these of it (chosen: markers through a
loudspeaker are placed within one period of their 3 kHz; no loudspeaker's electronics take a
second)."""

TOO_NEAR_M, TOO_NEAR_SHARE = 0.1, 0.1
"""Sound that came this much less far than the distance noted, the larger of both, contradicts it
(chosen: twice the 5 cm that a marker may be misplaced by, and what people misread a tape by)."""

TOO_FAR_M, TOO_FAR_SHARE = 0.3, 0.2
"""The same for sound that seems to have come farther (chosen: a woofer lies behind its baffle, and
its low-pass filter delays by as much)."""


@dataclass(frozen=True)
class LoopbackClock:
    """When each file of a stimulus was recorded by the loop-back, and by which clock.

    Attributes
    ----------
    channel : of the recordings.
    starts : the start marker's first sample in each file.
    placements : of each file; None where its samples were mended, so that its clock is not known.
    """

    channel: int
    starts: list[float]
    placements: list[Placement | None]

    def clocked(self, placements: Sequence[Placement], mended: Sequence[bool]) -> list[Placement]:
        """Return a microphone's placements with the clock of the loop-back.

        Those of files that were mended stay, and what is certain of the others' place: the middle
        between two markers, or the only one.
        """
        return [
            placement if changed or own is None else _with_clock_of(own, placement)
            for placement, own, changed in zip(placements, self.placements, mended, strict=True)
        ]


def _with_clock_of(own: Placement, placement: Placement) -> Placement:
    """Return a placement with another's scale, turned around what is surest of its place."""
    offset = placement.at(placement.middle) - own.scale * placement.middle
    return replace(placement, offset_samples=offset, scale=own.scale, clock_known=True)


@dataclass(frozen=True)
class FoundLoopback:
    """A loop-back found in its recordings.

    Attributes
    ----------
    clock : its own.
    stimulus, band_hz : what was played, and the band of it that was recorded.
    cut : what is measured; None of a staircase.
    """

    clock: LoopbackClock
    stimulus: Stimulus
    band_hz: tuple[float, float]
    cut: CutLadder | None


def find_loopback(
    entry: TakeEntry, *, searching: Searching | None = None
) -> tuple[FoundLoopback | None, list[Reason]]:
    """Read a take's loop-back, find the stimulus in it, and cut it out; None where that fails.

    The reasons say why it cannot be used, or what of it cannot.

    Raises
    ------
    InputError
        The stimulus cannot be read, or the loop-back's channel is the microphone's.
    """
    channel = entry.loopback_channel
    if channel is None:
        return None, []
    if channel == entry.channel:
        raise InputError(
            f"{entry.recordings[0]}: channel {channel} cannot be both the microphone's and the"
            " loop-back's: correct channel, or loopback_channel"
        )
    stimulus = read_played(entry.stimulus)
    if isinstance(stimulus, FoundStimulus):
        return None, [Reason("loopback_unused", channel=channel, why="no_markers")]
    try:
        check_count(entry.recordings, stimulus)
        return _found(entry, stimulus, channel, searching)
    except NoSignalError:
        return None, [Reason("loopback_unused", channel=channel, why="no_signal")]
    except InputError as error:
        reason = str(error)
        for path in entry.recordings:
            reason = reason.replace(str(path), path.name)
        return None, [Reason("loopback_unused", channel=channel, why="unusable", reason=reason)]


def _found(
    entry: TakeEntry, stimulus: Stimulus, channel: int, searching: Searching | None
) -> tuple[FoundLoopback, list[Reason]]:
    recordings = [
        read_run(path, Search(stimulus.marker, file, channel, entry.number, searching))[0]
        for path, file in zip(entry.recordings, stimulus.files, strict=True)
    ]
    band_hz = recorded_band_hz(stimulus.recipe, recordings[0])
    if not isinstance(stimulus, LadderStimulus):
        placements = place_files(stimulus, recordings)
        clock = _clock(stimulus, channel, recordings, placements, [False] * len(recordings))
        delay_only = Reason("loopback_staircase", channel=channel)
        return FoundLoopback(clock, stimulus, band_hz, None), [delay_only]
    ladder = cut_ladder(stimulus, recordings)
    clock = _clock(stimulus, channel, recordings, ladder.placements, _mended(ladder))
    clipped = [rung.drive_dbfs for rung in ladder.cut.rungs if rung.clipped]
    doubts = [Reason("loopback_clipped", channel=channel, drives_dbfs=clipped)] if clipped else []
    return FoundLoopback(clock, stimulus, band_hz, ladder.cut), doubts


def _mended(ladder: FoundLadder) -> list[bool]:
    """Tell of which files the samples were moved in time."""
    moved = {
        one.recording for one in ladder.cut.damage if one.kind in ("lost", "repeated", "clock")
    }
    return [recording.path.name in moved for recording in ladder.recordings]


def _clock(
    stimulus: Stimulus,
    channel: int,
    recordings: Sequence[Recording],
    placements: Sequence[Placement],
    mended: Sequence[bool],
) -> LoopbackClock:
    files = list(zip(recordings, stimulus.files, placements, strict=True))
    return LoopbackClock(
        channel=channel,
        starts=[r.first_sample + p.at(file.start_marker_sample) for r, file, p in files],
        placements=[
            None if changed or placement.markers != "both" else placement
            for placement, changed in zip(placements, mended, strict=True)
        ],
    )


def heard_beside(
    take: FoundTake, clock: LoopbackClock | None, conditions: Conditions
) -> tuple[Loopback | None, list[Reason]]:
    """Return what a loop-back tells of the way to the microphone; None where that is impossible."""
    if clock is None or isinstance(take.stimulus, FoundStimulus):
        return None, []
    recordings, placements = take.recordings, take.cutting.placements
    mended = [True] * len(recordings)
    starts = _clock(take.stimulus, clock.channel, recordings, placements, mended).starts
    late = float(np.median(np.subtract(starts, clock.starts)))
    delay_ms = 1e3 * late / recordings[0].rate_hz
    if not EARLIEST_MS <= delay_ms <= LATEST_MS:
        why = "early" if delay_ms < EARLIEST_MS else "elsewhere"
        unused = Reason("loopback_unused", channel=clock.channel, why=why, delay_ms=delay_ms)
        return None, [unused]
    noted_c = conditions.temperature_c
    temperature_c = USUAL_TEMPERATURE_C if noted_c is None else noted_c
    heard_m = 1e-3 * delay_ms * sound_speed_m_per_s(temperature_c)
    heard = Loopback(
        channel=clock.channel,
        delay_ms=delay_ms,
        distance_m=heard_m,
        temperature_c=temperature_c,
        clock_drift_ppm=mean_drift_ppm(clock.placements),
    )
    own_m = take.entry.distance_m
    noted_m = conditions.distance_m if own_m is None else own_m
    return heard, _distance_doubts(delay_ms, heard_m, noted_m)


def _distance_doubts(delay_ms: float, heard_m: float, noted_m: float | None) -> list[Reason]:
    """Hold the way that sound went in its time against the distance noted."""
    if noted_m is None:
        return []
    if heard_m < noted_m - max(TOO_NEAR_M, TOO_NEAR_SHARE * noted_m):
        way = "short"
    elif heard_m > noted_m + max(TOO_FAR_M, TOO_FAR_SHARE * noted_m):
        way = "long"
    else:
        return []
    return [Reason("flight_time", way=way, delay_ms=delay_ms, heard_m=heard_m, noted_m=noted_m)]
