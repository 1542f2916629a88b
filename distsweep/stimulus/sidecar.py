"""The sidecar: what is needed to analyse a recording without the stimulus's own WAV."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from distsweep.errors import InputError
from distsweep.stimulus.marker import Marker
from distsweep.stimulus.recipe import LadderRecipe, parse_recipe, with_present_names
from distsweep.stimulus.sidecar_checks import (
    build,
    check_marker,
    check_sweep,
    require,
)
from distsweep.stimulus.staircase_recipe import StaircaseRecipe
from distsweep.stimulus.sweep import Sweep

SCHEMA = "distsweep.stimulus/1"

FOUND_IN = "found_in"
"""Key of a sidecar whose stimulus was found in a sound file: that file's name."""


@dataclass(frozen=True)
class PlayedRung:
    """One sweep in a file: where it starts, how loud it is, and what it is for.

    ``role`` is "rung" or "return"; ``repeat`` counts from 0.
    """

    drive_dbfs: float
    role: str
    repeat: int
    start_sample: int


@dataclass(frozen=True)
class PlayedBurst:
    """One burst of a staircase: its tone, its level, and where it starts.

    ``direction`` is "up" or "down"; ``samples`` is its length, ramp included.
    """

    frequency_hz: float
    level_dbfs: float
    direction: str
    start_sample: int
    samples: int


@dataclass(frozen=True)
class StimulusFile:
    """One WAV of a stimulus and the places in it, all in samples from its start.

    A ladder's file holds rungs, a staircase's bursts.
    """

    name: str
    sha256: str
    samples: int
    start_marker_sample: int
    end_marker_sample: int
    quiet_samples: tuple[int, int]
    rungs: tuple[PlayedRung, ...]
    bursts: tuple[PlayedBurst, ...] = ()

    @property
    def first_sample(self) -> int:
        """Where the first rung or burst starts."""
        return (self.rungs[0] if self.rungs else self.bursts[0]).start_sample

    @property
    def lowest_dbfs(self) -> float:
        """Drive of the quietest rung or burst."""
        drives = [rung.drive_dbfs for rung in self.rungs]
        return min(drives + [burst.level_dbfs for burst in self.bursts])

    @property
    def highest_dbfs(self) -> float:
        """Drive of the loudest rung or burst."""
        drives = [rung.drive_dbfs for rung in self.rungs]
        return max(drives + [burst.level_dbfs for burst in self.bursts])


@dataclass(frozen=True)
class LadderStimulus:
    """A ladder as it was laid out: its recipe, its sweep, its markers and its files."""

    recipe: LadderRecipe
    sweep: Sweep
    marker: Marker
    files: tuple[StimulusFile, ...]

    @property
    def rung_samples(self) -> int:
        """Length of a rung's place: the sweep and the pause after it."""
        return self.sweep.samples + round(self.recipe.pause_s * self.recipe.rate_hz)


@dataclass(frozen=True)
class StaircaseStimulus:
    """A staircase as it was laid out: its recipe, its markers and its files."""

    recipe: StaircaseRecipe
    marker: Marker
    files: tuple[StimulusFile, ...]


Stimulus = LadderStimulus | StaircaseStimulus


def sidecar_text(stimulus: Stimulus) -> str:
    """Return the sidecar as JSON text."""
    data: dict[str, Any] = {"schema": SCHEMA}
    data.update(stimulus.recipe.as_dict())
    absent = "rungs"
    if isinstance(stimulus, LadderStimulus):
        data["sweep"] = dataclasses.asdict(stimulus.sweep)
        del data["sweep"]["phase_rad"]  # 0, as designed: what older versions read stays
        absent = "bursts"
    data["marker"] = dataclasses.asdict(stimulus.marker)
    data["files"] = [dataclasses.asdict(item) for item in stimulus.files]
    for item in data["files"]:
        del item[absent]
    return json.dumps(data, indent=1) + "\n"


def read_sidecar(path: str | Path) -> Stimulus:
    """Read the sidecar of a stimulus that was written by this program.

    Raises
    ------
    InputError
        It is missing, not JSON, of another version, damaged, or of a stimulus that was found in
        a sound file.
    """
    path = Path(path)
    return parse_sidecar(sidecar_data(path), path)


def sidecar_data(path: Path) -> dict[str, Any]:
    """Return what a sidecar holds, its schema checked.

    Raises
    ------
    InputError
        It is missing, not JSON, or of another version.
    """
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(
            f"{path}: the stimulus's sidecar cannot be read ({error.strerror}):"
            " give the .json that was written beside the stimulus"
        ) from error
    except (ValueError, RecursionError) as error:
        raise InputError(
            f"{path}: is not JSON ({error}): give the .json written beside the stimulus"
        ) from error
    schema = data.get("schema") if isinstance(data, dict) else None
    if schema != SCHEMA:
        raise InputError(
            f"{path}: sidecar's schema is {schema!r}, this version reads {SCHEMA!r}:"
            " write the stimulus again with this version, or analyse with the other one"
        )
    return dict(data)


def parse_sidecar(data: dict[str, Any], path: Path) -> Stimulus:
    """Return the stimulus of a sidecar's data; ``path`` names it in messages.

    Raises
    ------
    InputError
        It is damaged, or of a stimulus that was found in a sound file.
    """
    if FOUND_IN in data:
        raise InputError(
            f"{path}: tells of sweeps found in {data[FOUND_IN]}, which have no markers: it serves"
            " `analyse` only; write a stimulus from a recipe"
        )
    with damaged(path):
        return _stimulus(data, str(path))


@contextmanager
def damaged(path: Path) -> Iterator[None]:
    """Turn what a sidecar's data cannot be built from into one line.

    Raises
    ------
    InputError
        Something is missing or of the wrong kind.
    """
    try:
        yield
    except (LookupError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise InputError(
            f"{path}: sidecar is damaged ({error}): write the stimulus again"
        ) from error


def _stimulus(data: dict[str, Any], where: str) -> Stimulus:
    kind = StaircaseRecipe if data.get("kind") == "staircase" else LadderRecipe
    keys = {item.name for item in dataclasses.fields(kind)}
    data = with_present_names(data, where)
    recipe = parse_recipe({k: v for k, v in data.items() if k in keys and v is not None}, where)
    marker = build(Marker, data["marker"])
    check_marker(marker, rate_hz=recipe.rate_hz)
    files = tuple(_file(item) for item in data["files"])
    if isinstance(recipe, StaircaseRecipe):
        if not files or not all(item.bursts for item in files):
            raise ValueError("it names no bursts")
        stimulus: Stimulus = StaircaseStimulus(recipe=recipe, marker=marker, files=files)
        played_samples, repeats = 0, 1
    else:
        if not files or not all(item.rungs for item in files):
            raise ValueError("it names no rungs")
        sweep = build(Sweep, with_present_names(data["sweep"], where))
        check_sweep(sweep, rate_hz=recipe.rate_hz)
        stimulus = LadderStimulus(recipe=recipe, sweep=sweep, marker=marker, files=files)
        played_samples, repeats = sweep.samples, recipe.repeats
    for file in files:
        _check_file(
            file, marker_samples=marker.samples, played_samples=played_samples, repeats=repeats
        )
        _check_bursts(file.bursts, rate_hz=recipe.rate_hz)
    return stimulus


def _file(item: dict[str, Any]) -> StimulusFile:
    first, last = item["quiet_samples"]
    if type(first) is not int or type(last) is not int:
        raise ValueError(f"quiet_samples are {item['quiet_samples']!r}")
    return build(
        StimulusFile,
        item,
        quiet_samples=(first, last),
        rungs=tuple(build(PlayedRung, rung) for rung in item.get("rungs", ())),
        bursts=tuple(build(PlayedBurst, burst) for burst in item.get("bursts", ())),
    )


def _check_file(
    file: StimulusFile, *, marker_samples: int, played_samples: int, repeats: int
) -> None:
    """Refuse places that lie outside the file or out of order, and rungs of other repeats.

    ``played_samples`` is the length of a sweep; bursts have lengths of their own.

    Raises
    ------
    ValueError
        A place cannot be.
    """
    first, last = file.quiet_samples
    after_marker = file.start_marker_sample + marker_samples
    require(file.start_marker_sample >= 0, "start_marker_sample is below 0")
    require(after_marker <= first < last, f"quiet_samples are {list(file.quiet_samples)}")
    require(file.end_marker_sample + marker_samples <= file.samples, "the end marker lies outside")
    ends = last
    for rung in file.rungs:
        require(ends <= rung.start_sample, f"a rung's start_sample is {rung.start_sample}")
        require(rung.drive_dbfs <= 0.0, f"drive_dbfs is {rung.drive_dbfs}")
        require(rung.role in ("rung", "return"), f"role is {rung.role!r}")
        ends = rung.start_sample + played_samples
    for burst in file.bursts:
        require(last <= burst.start_sample, f"a burst's start_sample is {burst.start_sample}")
        require(burst.level_dbfs <= 0.0, f"level_dbfs is {burst.level_dbfs}")
        require(burst.frequency_hz > 0.0, f"frequency_hz is {burst.frequency_hz}")
        require(burst.direction in ("up", "down"), f"direction is {burst.direction!r}")
        require(burst.samples > 0, f"a burst's samples are {burst.samples}")
        ends = max(ends, burst.start_sample + burst.samples)
    require(
        ends <= file.end_marker_sample, "the end marker stands before the end of what is played"
    )
    passes = [rung.repeat for rung in file.rungs]
    expected = list(range(repeats)) * (len(passes) // repeats)
    require(passes == expected, f"its rungs are not played repeats = {repeats} times each")


def _check_bursts(bursts: Sequence[PlayedBurst], *, rate_hz: int) -> None:
    """Refuse bursts that overlap, or are shorter than a period of their tone.

    Raises
    ------
    ValueError
        One does, or is.
    """
    ends = 0
    for burst in bursts:
        require(ends <= burst.start_sample, f"a burst's start_sample is {burst.start_sample}")
        # Some samples of slack: a burst is placed to a fraction of one, at both ends.
        long_enough = (burst.samples - 4) * burst.frequency_hz >= rate_hz
        require(long_enough, f"a burst of {burst.frequency_hz:g} Hz has {burst.samples} samples")
        ends = burst.start_sample + burst.samples
