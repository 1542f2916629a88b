"""The demonstration: a whole measurement of a simulated loudspeaker, analysed as a real one.

A loudspeaker tester has bought a "Tarnbick 4" by "Brindlemoor", a small powered monitor, and
measures it in a workshop. Maker, model and every number are invented.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path

import soundfile

from distsweep.errors import InputError
from distsweep.pipeline import analyse
from distsweep.rehearsal import background, demo_bench, demo_loudspeaker, measure
from distsweep.rehearsal.demo import CABINET_MM
from distsweep.result_files import write_result_files
from distsweep.results import Results
from distsweep.stimulus.recipe import read_recipe
from distsweep.stimulus.write import write_stimulus
from distsweep.takes.session_takes import STATES
from distsweep.units import FloatArray
from distsweep.whole_files import write_whole, write_whole_text

Progress = Callable[[str, float], None]
"""Told what was done last, and how much of all is done, 0…1."""

DEMO_FOLDER = "distsweep-demo"


@dataclass(frozen=True)
class _DemoTake:
    """A take of the demonstration: a shipped recipe, and the microphone's position."""

    position: str
    recipe: str

    @property
    def recording(self) -> str:
        """Name of its sound file: two takes may share a position."""
        return f"{self.position}-{self.recipe}.wav"


TAKES = (
    _DemoTake("axis", "full-ladder"),
    _DemoTake("axis", "three-tones"),
    _DemoTake("woofer", "near-field"),
    _DemoTake("port", "near-field"),
    _DemoTake("tweeter", "near-field"),
)

BACKGROUND_PAIRS, BACKGROUND_S, BACKGROUND_RATE_HZ = 5, 8.0, 48000
BACKGROUND_POSITION, BACKGROUND_DISTANCE_M = "tweeter", 0.05
"""The background is recorded so close to the tweeter, the loudspeaker on and off."""

NEAR_FIELD_LEVELS_DBFS = (-28.0, -22.0)
"""Two rungs of the near-field recipe are played: they tell where a resonance is strongest, and
the demonstration takes half the time."""


def free_folder() -> Path:
    """Return a folder for a demonstration that does not exist yet, in the current one."""
    folder, number = Path(DEMO_FOLDER), 1
    while folder.exists():
        number += 1
        folder = Path(f"{DEMO_FOLDER}-{number}")
    return folder


def run_demo(folder: Path, *, seed: int = 1, progress: Progress | None = None) -> Results:
    """Simulate a session into a folder, analyse it and write its report.

    Parameters
    ----------
    folder : must be empty or not exist: nothing overwrites a recording.
    seed : of the background noise; the loudspeaker has no chance in it.
    progress : called after each step.

    Raises
    ------
    InputError
        The folder is in use or cannot be written.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError(f"{folder}: is in use: choose another folder with -o")
    say = progress or (lambda text, share: None)
    for name in sorted({take.recipe for take in TAKES}):
        recipe = read_recipe(name)
        if name == "near-field":
            recipe = dataclasses.replace(recipe, levels_dbfs=NEAR_FIELD_LEVELS_DBFS)
        write_stimulus(recipe, folder, sample_format="flac")
    write_whole_text(folder / "session.toml", _session_text())
    say("stimuli written", 0.05)
    with ProcessPoolExecutor(max_workers=2) as pool:
        jobs = {
            pool.submit(_record, folder, take, seed + number): take
            for number, take in enumerate(TAKES)
        }
        for done, job in enumerate(as_completed(jobs), start=1):
            job.result()
            say(f"{jobs[job].recording} recorded", 0.05 + 0.6 * done / len(jobs))
    _record_background(folder, seed + len(TAKES))
    results = analyse(folder)
    say("analysed", 0.75)
    write_result_files(results, folder / "results")
    say("report written", 1.0)
    return results


def _record(folder: Path, take: _DemoTake, seed: int) -> None:
    """Play a stimulus to the simulated loudspeaker and keep what the microphone heard."""
    played, rate_hz = soundfile.read(folder / f"{take.recipe}.flac")
    heard = measure(
        played,
        rate_hz=rate_hz,
        loudspeaker=demo_loudspeaker(),
        bench=demo_bench(),
        position=take.position,
        seed=seed,
    )
    _keep(folder / take.recording, heard, rate_hz)


def _background_name(state: str, pair: int) -> str:
    return f"{BACKGROUND_POSITION}-background-{state}-{pair + 1}.wav"


def _record_background(folder: Path, seed: int) -> None:
    """Record the room with the loudspeaker on and off, a pair of recordings at a time."""
    for pair in range(BACKGROUND_PAIRS):
        for number, state in enumerate(STATES):
            heard = background(
                demo_loudspeaker(),
                demo_bench(),
                rate_hz=BACKGROUND_RATE_HZ,
                seconds=BACKGROUND_S,
                distance_m=BACKGROUND_DISTANCE_M,
                on=state == "on",
                seed=seed + 2 * pair + number,
            )
            _keep(folder / _background_name(state, pair), heard, BACKGROUND_RATE_HZ)


def _keep(path: Path, heard: FloatArray, rate_hz: int) -> None:
    write_whole(path, lambda scratch: soundfile.write(scratch, heard, rate_hz, subtype="PCM_24"))


def _background_text(state: str) -> str:
    names = [f'"{_background_name(state, pair)}"' for pair in range(BACKGROUND_PAIRS)]
    return (
        f'\n[[takes]]\nkind = "background"\nposition = "{BACKGROUND_POSITION}"\n'
        f'state = "{state}"\nrecording = [{", ".join(names)}]\n'
        f"distance_m = {BACKGROUND_DISTANCE_M:g}\n"
    )


def _session_text() -> str:
    loudspeaker, bench = demo_loudspeaker(), demo_bench()
    width, height, depth = CABINET_MM
    takes = "".join(
        f'\n[[takes]]\nposition = "{take.position}"\nstimulus = "{take.recipe}.json"\n'
        f'recording = "{take.recording}"\n'
        for take in TAKES
    )
    takes += "".join(map(_background_text, STATES))
    return f"""\
# A simulated measurement: the loudspeaker, its maker and the workshop are invented.
[device]
name = "{loudspeaker.maker} {loudspeaker.model} (simulated)"
cabinet_mm = [{width:g}, {height:g}, {depth:g}]
port_mm = {{ length = {loudspeaker.box.port_length_mm:g}, diameter = \
{loudspeaker.box.port_diameter_mm:g} }}

[conditions]
temperature_c = {bench.temperature_c:g}
distance_m = {bench.distance_m:g}
listener_distance_m = 2.5
level_band_hz = [300, 3000]

[calibration]
pascal_per_fs = {bench.pascal_per_fs:g}

[report]
levels_spl = [80, 90]
{takes}"""
