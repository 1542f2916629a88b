"""Where a stimulus was played in a recording that is inspected, and what is missing of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from distsweep.errors import InputError
from distsweep.results import Damage
from distsweep.results.inspection import FoundRun, Inspection
from distsweep.stimulus.found_sweep import FoundStimulus
from distsweep.stimulus.sidecar import Stimulus, StimulusFile
from distsweep.takes.marker_search import Searching
from distsweep.takes.runs import Run, Search, find_runs
from distsweep.takes.session_takes import TakeEntry
from distsweep.takes.sound_file import SoundFile
from distsweep.takes.take import FoundTake, find_take
from distsweep.words.warnings import warning_sentence


@dataclass(frozen=True)
class LookedFor:
    """A stimulus that is looked for: by its sidecar or sound file, and what that holds."""

    source: Path
    stimulus: Stimulus | FoundStimulus


_Seen = tuple[FoundRun, list[Damage]]
"""A run, and what was found wrong with the recording when it was cut out."""


def with_runs(
    inspected: Inspection, sound: SoundFile, looked_for: LookedFor, searching: Searching | None
) -> Inspection:
    """Add where the stimulus was played, on the first channel that holds it, or why not."""
    stimulus = looked_for.stimulus
    inspected = replace(inspected, stimulus=stimulus.recipe.name)
    reasons: list[str] = []
    for channel in range(1, sound.channels + 1):
        try:
            if isinstance(stimulus, FoundStimulus):
                entry = TakeEntry("axis", looked_for.source, (sound.path,), channel)
                found = [_cut_out(find_take(entry), stimulus.file.samples)]
            else:
                found = _marked_runs(sound, looked_for.source, stimulus, channel, searching)
        except InputError as error:
            reasons.append(_without_path(error, sound))
            continue
        damage = [*inspected.damage, *(one for _, seen in found for one in seen)]
        return replace(
            inspected,
            signal_channel=channel,
            runs=[run for run, _ in found],
            damage=sorted(damage, key=lambda one: one.start_s),
        )
    return replace(inspected, not_found=reasons[0])


def _without_path(error: InputError, sound: SoundFile) -> str:
    return str(error).removeprefix(f"{sound.path}: ")


def _marked_runs(
    sound: SoundFile,
    sidecar: Path,
    stimulus: Stimulus,
    channel: int,
    searching: Searching | None,
) -> list[_Seen]:
    """Return the runs in a channel of the first of a stimulus's files that is there.

    Raises
    ------
    InputError
        None is.
    """
    errors = []
    for file in _layouts(stimulus.files):
        search = Search(stimulus.marker, file, channel, searching=searching)
        try:
            found = find_runs(sound, search)
        except InputError as error:
            errors.append(error)
            continue
        if len(stimulus.files) > 1:
            return [(_by_markers(sound, search, run), []) for run in found]
        return [
            _run(sound, sidecar, replace(search, number=number), _by_markers(sound, search, run))
            for number, run in enumerate(found, start=1)
        ]
    raise errors[0]


def _layouts(files: Sequence[StimulusFile]) -> list[StimulusFile]:
    """Return the files of a stimulus that their markers tell apart."""
    by_spacing = {file.end_marker_sample - file.start_marker_sample: file for file in files[::-1]}
    return list(by_spacing.values())[::-1]


def _by_markers(sound: SoundFile, search: Search, run: Run) -> FoundRun:
    """Return where a run is by its markers alone: where files are several, which one is unknown."""
    ratio = search.ratio(sound)
    start_s = (run.start - ratio * search.file.start_marker_sample) / sound.rate_hz
    end_s = start_s + ratio * search.file.samples / sound.rate_hz
    return FoundRun(start_s, end_s, "both" if run.end is not None else "", run.match)


def _run(sound: SoundFile, sidecar: Path, search: Search, by_markers: FoundRun) -> _Seen:
    """Cut a run out; where that fails, why."""
    entry = TakeEntry("axis", sidecar, (sound.path,), search.channel, number=search.number)
    try:
        take = find_take(entry)
    except InputError as error:
        return replace(by_markers, markers="", trouble=_without_path(error, sound)), []
    return _cut_out(take, search.file.samples)


def _cut_out(take: FoundTake, samples: int) -> _Seen:
    """Return a run that was cut out, of a file of so many samples."""
    (placement,), (recording,) = take.cutting.placements, take.recordings
    start_s = (recording.first_sample + placement.at(0.0)) / recording.rate_hz
    by_sweeps = isinstance(take.stimulus, FoundStimulus)
    run = FoundRun(
        start_s=start_s,
        end_s=start_s + placement.scale * samples / recording.rate_hz,
        markers=placement.markers,
        match=None if by_sweeps else placement.match,
        clock_drift_ppm=placement.clock_drift_ppm,
        missing=[warning_sentence(reason) for reason in take.cutting.missing],
    )
    return run, take.in_file_time(getattr(take.cut, "damage", []))
