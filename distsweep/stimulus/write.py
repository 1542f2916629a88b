"""Writing a stimulus: its sound files and its sidecar."""

from __future__ import annotations

import dataclasses
import hashlib
from pathlib import Path

import numpy as np
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
from distsweep.whole_files import has_content, write_whole, write_whole_text

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
        The folder cannot be written, or another stimulus of that name stands in it, whose
        sidecar may be all that explains a recording already made, or a recording has the name
        of one of the sound files.
    """
    ending, container, encoding = FORMATS[sample_format]
    stimulus = _laid_out(recipe, split)
    sidecar = folder / f"{recipe.name}.json"
    former = _former(sidecar, stimulus)
    for file in stimulus.files:
        _refuse_recording(folder / f"{file.name}{ending}", former, stimulus, file)
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


def _former(sidecar: Path, stimulus: Stimulus) -> Stimulus | None:
    """Return what stands in a sidecar of the same name; refuse one that lays out something else."""
    if not sidecar.exists():
        return None
    try:
        former = read_sidecar(sidecar)
    except InputError:
        former = None
    if former is None or _without_names(former) != _without_names(stimulus):
        raise InputError(
            f"{sidecar}: another stimulus of this name is there: give the recipe another name,"
            " or choose another folder"
        )
    return former


def _refuse_recording(
    path: Path, former: Stimulus | None, stimulus: Stimulus, file: StimulusFile
) -> None:
    """Refuse to replace a file unless the sidecar vouches for it, or it sounds the same."""
    if not has_content(path):
        return
    known = {(item.name, item.sha256) for item in former.files} if former is not None else set()
    try:
        with path.open("rb") as stream:
            digest = hashlib.file_digest(stream, "sha256").hexdigest()
        if (path.name, digest) in known or _holds_samples_of(path, stimulus, file):
            return
    except (OSError, RuntimeError):  # cannot be read, or is no sound file
        pass
    raise InputError(
        f"{path}: is there, and is not this stimulus: it was left as it is; give the recipe"
        " another name, or choose another folder"
    )


def _holds_samples_of(path: Path, stimulus: Stimulus, file: StimulusFile) -> bool:
    """Tell whether a file holds a stimulus's samples, within the last of 24 bits."""
    if soundfile.info(path).frames != file.samples:
        return False
    samples, rate_hz = soundfile.read(path, always_2d=True)
    if rate_hz != stimulus.recipe.rate_hz or samples.shape[1] != 1:
        return False
    return bool(np.max(np.abs(samples[:, 0] - rendered(stimulus, file))) <= 2.0**-23)


def _without_names(stimulus: Stimulus) -> Stimulus:
    """Return the stimulus without what depends on the sample format."""
    files = tuple(dataclasses.replace(item, name="", sha256="") for item in stimulus.files)
    return dataclasses.replace(stimulus, files=files)
