"""Writing a stimulus: its sound files and its sidecar."""

from __future__ import annotations

import dataclasses
import hashlib
from pathlib import Path

import soundfile

from distsweep.errors import InputError
from distsweep.stimulus.bursts import lay_out_staircase, render_staircase
from distsweep.stimulus.layout import lay_out, render
from distsweep.stimulus.recipe import LadderRecipe, Recipe
from distsweep.stimulus.sidecar import (
    LadderStimulus,
    Stimulus,
    StimulusFile,
    read_sidecar,
    sidecar_text,
)
from distsweep.units import FloatArray
from distsweep.whole_files import write_whole, write_whole_text

FORMATS = {
    "wav24": (".wav", "WAV", "PCM_24"),
    "float": (".wav", "WAV", "FLOAT"),
    "flac": (".flac", "FLAC", "PCM_24"),
}
"""Sample formats on offer: file's ending, container, encoding."""


def write_stimulus(
    recipe: Recipe, folder: Path, *, split: bool = False, sample_format: str = "wav24"
) -> tuple[Stimulus, list[Path]]:
    """Write the sound files and the sidecar of a recipe into a folder.

    Returns
    -------
    The stimulus with the files' SHA-256, and the paths written, the sidecar last.

    Raises
    ------
    InputError
        The folder cannot be written, or another stimulus of that name stands in it: its
        sidecar may be all that explains a recording already made.
    """
    ending, container, encoding = FORMATS[sample_format]
    stimulus = _laid_out(recipe, split)
    sidecar = folder / f"{recipe.name}.json"
    _refuse_other(sidecar, stimulus)
    paths = []
    files = []
    for file in stimulus.files:
        path = folder / f"{file.name}{ending}"
        samples = rendered(stimulus, file)
        write_whole(
            path,
            lambda scratch, samples=samples: soundfile.write(  # type: ignore[misc]
                scratch, samples, recipe.rate_hz, subtype=encoding, format=container
            ),
        )
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        files.append(dataclasses.replace(file, name=path.name, sha256=digest))
        paths.append(path)
    stimulus = dataclasses.replace(stimulus, files=tuple(files))
    write_whole_text(sidecar, sidecar_text(stimulus))
    return stimulus, [*paths, sidecar]


def _laid_out(recipe: Recipe, split: bool) -> Stimulus:
    if isinstance(recipe, LadderRecipe):
        return lay_out(recipe, split=split)
    return lay_out_staircase(recipe, split=split)


def rendered(stimulus: Stimulus, file: StimulusFile) -> FloatArray:
    """Return the samples of one file of a ladder or a staircase, full scale 1."""
    if isinstance(stimulus, LadderStimulus):
        return render(stimulus, file)
    return render_staircase(stimulus, file)


def _refuse_other(sidecar: Path, stimulus: Stimulus) -> None:
    """Refuse to replace a sidecar of the same name that lays out something else."""
    if not sidecar.exists():
        return
    try:
        same = _bare(read_sidecar(sidecar)) == _bare(stimulus)
    except InputError:
        same = False
    if not same:
        raise InputError(
            f"{sidecar}: another stimulus of this name is there: give the recipe another name,"
            " or choose another folder"
        )


def _bare(stimulus: Stimulus) -> Stimulus:
    """Return the stimulus without what depends on the sample format."""
    files = tuple(dataclasses.replace(item, name="", sha256="") for item in stimulus.files)
    return dataclasses.replace(stimulus, files=files)
