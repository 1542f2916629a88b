"""Staircases played through known loudspeakers and analysed, for tests and benchmarks."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import soundfile

from distsweep.pipeline import analyse_recording
from distsweep.results import Results
from distsweep.stimulus.bursts import lay_out_staircase, render_staircase
from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.sidecar import sidecar_text

Chain = Callable[[np.ndarray], np.ndarray]

BASE = {
    "kind": "staircase",
    "name": "steps",
    "rate_hz": 48000,
    "frequencies_hz": [1000],
    "levels_dbfs": {"from": -40, "to": -4, "step": 2},
    "hold_s": 0.6,
    "rest_s": 0.3,
    "release_s": 3.0,
}


def stimulus_of(**recipe: object):  # type: ignore[no-untyped-def]
    return lay_out_staircase(parse_recipe({**BASE, **recipe}, "recipe"))


def analysed(folder: Path, chain: Chain, *, lead: int = 1234, **recipe: object) -> Results:
    """Play a staircase through a chain of samples in, samples out; analyse what comes out."""
    stimulus = stimulus_of(**recipe)
    waveform = render_staircase(stimulus, stimulus.files[0])
    heard = np.concatenate([np.zeros(lead), chain(waveform)])
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "steps.json").write_text(sidecar_text(stimulus), encoding="utf-8")
    soundfile.write(folder / "take.wav", heard, stimulus.recipe.rate_hz, subtype="FLOAT")
    return analyse_recording(folder / "take.wav", stimulus=folder / "steps.json")
