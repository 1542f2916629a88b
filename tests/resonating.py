"""Closed-form loudspeakers that resonate, on a bench of three rungs."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
from closed_form import Branch, cascade, flat, high_pass, peak, play
from conftest import RATE_HZ, Bench, ladder_recipe

from distsweep.pipeline import analyse
from distsweep.results import Resonance, Results

OWN = (1.0, 0.02, 0.02)


def band_pass(centre_hz: float, q: float) -> Callable[[np.ndarray], np.ndarray]:
    def response(f: np.ndarray) -> np.ndarray:
        ratio = np.maximum(f, 1e-3) / centre_hz
        return 1.0 / (1.0 + 1j * q * (ratio - 1.0 / ratio))

    return response


def echo(delay_s: float, strength: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda f: 1.0 + strength * np.exp(-2j * np.pi * f * delay_s)


RADIATED = [Branch(high_pass(90), OWN, peak(1100.0, 25.0, 10.0))]
EXCITED = [
    Branch(high_pass(90), OWN, flat),
    Branch(cascade(high_pass(90), band_pass(700.0, 30.0)), (0.0, 0.2, 0.8), flat),
]


def three_rungs(folder: Path) -> Bench:
    recipe = ladder_recipe(
        name="three", sweep_s=3.0, levels_dbfs=[-26, -18, -10], quiet_s=1.0, pause_s=0.6
    )
    return Bench(folder, recipe)


def hear(bench: Bench, branches: list[Branch], *, noise: float = 5e-7, seed: int = 3) -> np.ndarray:
    sound = 0.4 * play(branches, bench.waveform, RATE_HZ)
    return sound + noise * np.random.default_rng(seed).standard_normal(len(sound))


def at_places(bench: Bench, recordings: dict[str, str], *, head: str = "") -> Results:
    """Analyse a session whose positions have these recordings of the bench's stimulus."""
    path = bench.folder / "session.toml"
    path.write_text(
        head
        + "".join(
            f'[[takes]]\nposition = "{position}"\nstimulus = "three.json"\n'
            f'recording = "{name}.wav"\n'
            for position, name in recordings.items()
        )
    )
    return analyse(path)


def only(results: Results) -> Resonance:
    (one,) = [r for r in results.resonances if r.confidence >= 0.5]
    return one
