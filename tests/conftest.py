"""Fixtures that every room's tests share."""

from __future__ import annotations

import os

# One thread each, before numpy is loaded: products of short arrays, shared between threads, wait
# for one another, and on a busy machine twice as long as the sum takes.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import dataclasses
import signal
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import pytest
import soundfile
from standstill import pytest_runtest_protocol  # noqa: F401 (a hook)

from distsweep.results import Results
from distsweep.stimulus.recipe import LadderRecipe, parse_recipe, read_recipe
from distsweep.stimulus.sidecar import LadderStimulus
from distsweep.stimulus.write import write_stimulus

RATE_HZ = 48000


IN_CI = os.environ.get("DISTSWEEP_REQUIRE_SYSTEM") == "1"


def draws(in_ci: int, otherwise: int) -> int:
    """Return how many random cases a test draws: whoever tries a change has a few of them."""
    return in_ci if IN_CI else otherwise


def long(*values: Any) -> Any:
    """Mark a row of a parametrised test as long: a repeat, which CI runs."""
    return pytest.param(*values, marks=pytest.mark.long)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave the long tests to CI: whoever tries a change has its answer sooner."""
    if IN_CI:
        return
    for item in items:
        if item.get_closest_marker("long"):
            item.add_marker(pytest.mark.skip(reason="long: set DISTSWEEP_REQUIRE_SYSTEM=1"))


@pytest.fixture(autouse=True, scope="session")
def interruptible() -> None:
    """Hear Ctrl-C even where the shell that started the tests in the background ignores it."""
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(autouse=True, scope="session")
def unsynchronised() -> Iterator[None]:
    """Don't wait for the disk: only a power failure would show, and that no test can make."""
    with mock.patch.object(os, "fsync", lambda _handle: None):
        yield


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20261125)


@dataclass(frozen=True)
class Demo:
    """The demonstration: its session's folder, its results, and the steps it told of."""

    folder: Path
    results: Results
    steps: list[tuple[str, float]]


def shortened(name: str) -> Any:
    """Return a shipped recipe with sweeps of 3 s, or with half its steps and short rests."""
    recipe = read_recipe(name)
    if isinstance(recipe, LadderRecipe):
        return dataclasses.replace(recipe, sweep_s=3.0, pause_s=0.8)
    return dataclasses.replace(recipe, levels_dbfs=recipe.levels_dbfs[::2], release_s=1.5)


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    """A whole simulated measurement of three takes with short stimuli, its report left out.

    It is not to be changed. As the demonstration ships, with five takes, it takes several times
    as long: a long test in ``test_library.py`` runs it.
    """
    from distsweep import demo as module

    folder, steps = tmp_path_factory.mktemp("demo") / "demo", []
    without_report = partial(module.write_result_files, with_report=False)
    with (
        mock.patch.object(module, "read_recipe", shortened),
        mock.patch.object(module, "write_result_files", without_report),
        mock.patch.object(module, "TAKES", module.TAKES[:3]),
    ):
        results = module.run_demo(folder, seed=7, progress=lambda *told: steps.append(told))
    return Demo(folder, results, steps)


@pytest.fixture(scope="session")
def sidecar(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The short stimulus that captures without devices play; to be read only."""
    from capture_bench import write_short_stimulus

    return write_short_stimulus(tmp_path_factory.mktemp("stimulus"))


def ladder_recipe(**changes: Any) -> LadderRecipe:
    """A short ladder, 80 Hz to 16 kHz, that a test takes under half a second with."""
    data: dict[str, Any] = {
        "kind": "ladder",
        "name": "short",
        "rate_hz": RATE_HZ,
        "band_hz": [80, 16000],
        "sweep_s": 2.0,
        "levels_dbfs": [-20, -10],
        "order": 5,
        "quiet_s": 1.5,
        "pause_s": 0.5,
        "return_rung": False,
    }
    data.update(changes)
    return parse_recipe({k: v for k, v in data.items() if v is not None}, "test recipe")


def short_ladder(**changes: Any) -> dict[str, Any]:
    """The keys of a ladder of a few seconds: four rungs, and the first once more."""
    return {
        "kind": "ladder",
        "name": "rungs",
        "rate_hz": RATE_HZ,
        "band_hz": [100, 16000],
        "sweep_s": 2.0,
        "levels_dbfs": [-34, -28, -22, -16],
        "order": 5,
        "quiet_s": 0.8,
        "pause_s": 0.5,
        **changes,
    }


def short_staircase(**changes: Any) -> dict[str, Any]:
    """The keys of a staircase of a few seconds: three tones at three levels."""
    return {
        "kind": "staircase",
        "name": "tones",
        "rate_hz": RATE_HZ,
        "frequencies_hz": [100, 400, 4000],
        "levels_dbfs": [-32, -20, -8],
        "hold_s": 0.3,
        "rest_s": 0.2,
        "release_s": 0.3,
        "order": 5,
        "quiet_s": 0.8,
        **changes,
    }


class Bench:
    """A folder with a stimulus in it, and a way to analyse what is made of its waveform."""

    def __init__(self, folder: Path, recipe: LadderRecipe, *, split: bool = False) -> None:
        self.folder = folder
        self.stimulus: LadderStimulus
        self.stimulus, paths = write_stimulus(recipe, folder, split=split, sample_format="float")
        self.sidecar = paths[-1]
        self.waveforms = [soundfile.read(path)[0] for path in paths[:-1]]

    @property
    def waveform(self) -> np.ndarray:
        return self.waveforms[0]

    def record(
        self, samples: np.ndarray, *, name: str = "take.wav", subtype: str = "PCM_24", **more: Any
    ) -> Path:
        path = self.folder / name
        soundfile.write(path, samples, more.pop("rate_hz", RATE_HZ), subtype=subtype, **more)
        return path

    def analyse(self, samples: np.ndarray, **more: Any) -> Results:
        from distsweep.pipeline import analyse_recording

        return analyse_recording(self.record(samples, **more), stimulus=self.sidecar)

    def rung_samples(self, samples: np.ndarray, index: int = 0) -> np.ndarray:
        start = self.stimulus.files[0].rungs[index].start_sample
        return samples[start : start + self.stimulus.sweep.samples]


@pytest.fixture
def make_bench(tmp_path: Path) -> Callable[..., Bench]:
    def make(*, split: bool = False, **changes: Any) -> Bench:
        return Bench(tmp_path, ladder_recipe(**changes), split=split)

    return make


@pytest.fixture(scope="session")
def long_bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """One rung of 8 s at −10 dBFS, 20 Hz to 20 kHz, order 10: what accuracy is stated for."""
    recipe = ladder_recipe(
        name="long", band_hz=[20, 20000], sweep_s=8.0, levels_dbfs=[-10], order=10, quiet_s=3.0,
        pause_s=1.5,
    )  # fmt: skip
    return Bench(tmp_path_factory.mktemp("long"), recipe)
