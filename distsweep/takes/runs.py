"""Long recordings: every run of a stimulus in one, found in blocks, and read one at a time.

A recording that is too short for two runs is read whole. A longer one is gone through twice, no
more than a block of it held: for its channels' levels (`survey`), then for markers in one channel.
Two markers that stand as far apart as the stimulus's are a run. Only the stretch of the run that is
analysed is read again, and kept.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

import numpy as np

from distsweep.errors import InputError, NoSignalError
from distsweep.reason import Reason
from distsweep.stimulus.marker import Marker
from distsweep.stimulus.sidecar import StimulusFile
from distsweep.takes.marker_search import Searching, marker_pairs, marker_places
from distsweep.takes.placement import LARGEST_SPEED, SURE_MATCH, check_only_marker, check_rate
from distsweep.takes.recording import (
    ALL_CLIPPED_SHARE,
    SILENT_PEAK,
    Recording,
    clipped_all_over,
    no_number,
    read_recording,
    silent,
)
from distsweep.takes.sound_file import SoundFile, open_sound
from distsweep.takes.survey import ChannelLevels, survey
from distsweep.units import FloatArray

AROUND_S = 5.0
"""What is read of a recording before and after a run (chosen: the background on both sides, and
whatever began before the run and reaches into it)."""

REMEMBERED = 64
"""Searches and surveys whose finds are kept (chosen: a session lists some recordings for several
takes each)."""


@dataclass(frozen=True)
class Run:
    """One run of a file of the stimulus in a recording, all in samples of the recording.

    Attributes
    ----------
    start : place of the start marker; of the only marker where one was found.
    end : place of the end marker; None where one was found.
    match : normalised correlation of the weaker marker.
    first, last : the stretch to read, that before and after the run included.
    """

    start: float
    end: float | None
    match: float
    first: int
    last: int


@dataclass(frozen=True)
class Search:
    """What to look for in a recording: a file of a stimulus, by its markers, in one channel.

    ``number`` is the run that is meant where there are several, counted from 1; None: the first.
    """

    marker: Marker
    file: StimulusFile
    channel: int = 1
    number: int | None = None
    searching: Searching | None = field(default=None, compare=False)

    def ratio(self, sound: SoundFile) -> float:
        """Return recorded samples per sample of the stimulus."""
        return sound.rate_hz / self.marker.rate_hz

    @property
    def spacing(self) -> int:
        """Samples of the stimulus from its start marker to its end marker."""
        return self.file.end_marker_sample - self.file.start_marker_sample

    def may_be_several(self, sound: SoundFile) -> bool:
        """Tell whether a recording is long enough for two runs."""
        return sound.samples >= 2.0 * self.ratio(sound) * (self.spacing + self.marker.samples)


def read_run(path: Path, search: Search) -> tuple[Recording, list[Reason]]:
    """Read the run of a stimulus that is meant, and what the reader must know of the others.

    Raises
    ------
    InputError
        The recording cannot be used, or does not hold that run.
    """
    sound = open_sound(path)
    sound.check_channel(search.channel)
    if not search.may_be_several(sound):
        if (search.number or 1) > 1:
            raise _no_such_run(path, search, 1)
        return read_recording(sound, channel=search.channel, noting=True), []
    runs = find_runs(sound, search)
    if (search.number or 1) > len(runs):
        raise _no_such_run(path, search, len(runs))
    run = runs[(search.number or 1) - 1]
    recording = read_recording(sound, channel=search.channel, first=run.first, last=run.last)
    if search.number is not None or len(runs) == 1:
        return recording, []
    starts_s = [run.start / sound.rate_hz for run in runs]
    return recording, [
        Reason("several_runs", recording=path.name, starts_s=starts_s, analysed="first")
    ]


def run_starts_s(path: Path, search: Search) -> list[float]:
    """Return when the runs of a stimulus begin in a recording; none if it is too short for two.

    Raises
    ------
    InputError
        The recording cannot be used, or holds no run.
    """
    sound = open_sound(path)
    sound.check_channel(search.channel)
    if not search.may_be_several(sound):
        return []
    return [run.start / sound.rate_hz for run in find_runs(sound, search)]


_Key = tuple[object, ...]
_runs: dict[_Key, list[Run] | NoSignalError] = {}
_surveys: dict[_Key, list[ChannelLevels]] = {}
_Found = TypeVar("_Found")


def _remembered(
    finds: dict[_Key, _Found], key: _Key, sound: SoundFile, find: Callable[[], _Found]
) -> _Found:
    """Return what was found in a file before, unless the file was changed since."""
    stat = sound.path.stat()
    whole_key = (*key, sound.path, stat.st_mtime_ns, stat.st_size)
    if whole_key not in finds:
        if len(finds) >= REMEMBERED:
            finds.clear()
        finds[whole_key] = find()
    return finds[whole_key]


def find_runs(sound: SoundFile, search: Search) -> list[Run]:
    """Return every run of a file of the stimulus in one channel, in the order recorded.

    Where there is no pair of markers, a single one that is sure is a run that was cut off.

    Raises
    ------
    InputError
        The channel is silent, or holds no run (`NoSignalError`), is clipped all over, or holds what
        is not a number; or markers that stand elsewhere than this stimulus's.
    """
    layout = search.file.samples, search.file.start_marker_sample, search.file.end_marker_sample
    key = (search.channel, search.marker, layout)
    found = _remembered(_runs, key, sound, lambda: _runs_or_none(sound, search))
    if isinstance(found, NoSignalError):
        raise found
    return found


def _runs_or_none(sound: SoundFile, search: Search) -> list[Run] | NoSignalError:
    """Return the error of a channel without a run, which is to be remembered as well."""
    try:
        return _find_runs(sound, search)
    except NoSignalError as error:
        return error


def _find_runs(sound: SoundFile, search: Search) -> list[Run]:
    told = _part(search.searching, 0.0, 0.4)
    levels = _remembered(_surveys, (), sound, lambda: survey(sound, searching=told))
    here = levels[search.channel - 1]
    if here.not_a_number is not None:
        raise no_number(sound, search.channel, here.not_a_number)
    if here.peak < SILENT_PEAK:
        raise silent(sound, search.channel)
    if here.at_full_scale > ALL_CLIPPED_SHARE * sound.samples:
        raise clipped_all_over(sound, here.at_full_scale / sound.samples)
    check_rate(sound.path, sound.rate_hz, search.marker)
    places, matches = marker_places(
        sound,
        search.marker,
        channel=search.channel,
        mean_power=here.mean_power,
        searching=_part(search.searching, 0.4, 1.0),
    )
    spacing = search.ratio(sound) * search.spacing
    chirp = _chirp_samples(sound, search)
    pairs = marker_pairs(places, matches, spacing=spacing, chirp=chirp)
    if not pairs:
        # At another speed: only markers that are sure, of which `placement` proves each pair.
        sure = matches >= SURE_MATCH
        pairs = marker_pairs(
            places[sure], matches[sure], spacing=spacing, chirp=chirp, largest=LARGEST_SPEED
        )
        if pairs:
            places, matches = places[sure], matches[sure]
    if pairs:
        return _stretches(sound, search, places, matches, pairs)
    ratio = search.ratio(sound)
    check_only_marker(sound.path, search.marker, search.file, places / ratio, matches)
    only = int(np.argmax(matches))
    around = AROUND_S * sound.rate_hz
    first = places[only] - ratio * search.file.end_marker_sample - around
    last = places[only] + ratio * (search.file.samples - search.file.start_marker_sample) + around
    stretch = max(0, round(first)), min(sound.samples, round(last))
    return [Run(float(places[only]), None, float(matches[only]), *stretch)]


def _part(searching: Searching | None, begin: float, end: float) -> Searching | None:
    """Return what tells of a part of a search as of the whole."""
    if searching is None:
        return None
    return lambda name, share: searching(name, begin + (end - begin) * share)


def _chirp_samples(sound: SoundFile, search: Search) -> float:
    return search.ratio(sound) * search.marker.samples


def _stretches(
    sound: SoundFile,
    search: Search,
    places: FloatArray,
    matches: FloatArray,
    pairs: list[tuple[int, int]],
) -> list[Run]:
    """Return the runs of pairs of markers: no stretch holds a neighbour's marker."""
    ratio, around = search.ratio(sound), AROUND_S * sound.rate_hz
    before = ratio * search.file.start_marker_sample + around
    after = ratio * (search.file.samples - search.file.end_marker_sample) + around
    runs = []
    for number, (start, end) in enumerate(pairs):
        first, last = places[start] - before, places[end] + after
        if number:
            first = max(first, places[pairs[number - 1][1]] + _chirp_samples(sound, search))
        if number + 1 < len(pairs):
            last = min(last, places[pairs[number + 1][0]])
        runs.append(
            Run(
                float(places[start]),
                float(places[end]),
                float(min(matches[start], matches[end])),
                max(0, round(first)),
                min(sound.samples, round(last)),
            )
        )
    return runs


def _no_such_run(path: Path, search: Search, count: int) -> InputError:
    return InputError(
        f"{path}: holds {count} run(s) of the stimulus, number {search.number} was asked for:"
        " correct number in session.toml"
    )
