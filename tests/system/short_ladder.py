"""A folder with a short stimulus, and commands run in it."""

from __future__ import annotations

import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile

RATE_HZ = 48000
RECIPE = """\
kind = "ladder"
name = "short"
rate_hz = 48000
band_hz = [100, 16000]
sweep_s = 1.0
levels_dbfs = [-20, -8]
order = 5
quiet_s = 1.0
pause_s = 0.5
return_rung = false
"""
TAKE = '[[takes]]\nposition = "axis"\nstimulus = "short.json"\nrecording = "short.wav"\n'


@dataclass(frozen=True)
class Bench:
    """A folder with a stimulus, whose ``short.wav`` is also a good recording of it."""

    folder: Path

    @property
    def sidecar(self) -> Path:
        return self.folder / "short.json"

    @property
    def wav(self) -> bytes:
        return (self.folder / "short.wav").read_bytes()

    @property
    def samples(self) -> np.ndarray:
        return soundfile.read(self.folder / "short.wav", dtype="float64")[0]


def write_recipe_and_stimulus(folder: Path, recipe: str) -> None:
    file = folder / "recipe.toml"
    file.write_text(recipe, encoding="utf-8")
    subprocess.run(
        [sys.executable, "-m", "distsweep", "stimulus", str(file), "-o", str(folder)],
        check=True,
        capture_output=True,
        timeout=60,
    )
    file.unlink()


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made")
    write_recipe_and_stimulus(folder, RECIPE)
    return folder


@pytest.fixture
def bench(made: Path, tmp_path: Path) -> Bench:
    for name in ("short.wav", "short.json"):
        shutil.copy(made / name, tmp_path)
    return Bench(tmp_path)
