"""What was played, read from a sidecar or from the sound file itself."""

from __future__ import annotations

import hashlib
import re
from functools import lru_cache
from pathlib import Path

from distsweep.errors import InputError
from distsweep.stimulus.found_sidecar import read_stimulus
from distsweep.stimulus.found_sweep import FoundStimulus, find_stimulus
from distsweep.stimulus.sidecar import LadderStimulus, StaircaseStimulus, Stimulus, read_sidecar
from distsweep.takes.recording import count_channels, read_recording

SOUND_ENDINGS = (".wav", ".flac", ".aif", ".aiff", ".ogg", ".mp3", ".w64", ".rf64", ".caf")
"""Names of sound files end in these; what ends otherwise is taken for a sidecar (chosen: what
libsndfile reads and players play)."""

REMEMBERED = 8
"""Sound files whose sweeps are kept (chosen: takes of a session, and channels of a recording, share
one or two)."""


def is_sound(path: Path) -> bool:
    """Tell from its name whether a file is sound, and no sidecar."""
    return path.suffix.lower() in SOUND_ENDINGS


def read_played(path: Path) -> Stimulus | FoundStimulus:
    """Read what was played: from a sidecar, or from a sound file.

    A sound file that was written with a sidecar, which still lies beside it, is that stimulus. In
    any other the sweep is found.

    Raises
    ------
    InputError
        The file cannot be used, or holds no exponential sweep.
    """
    if not is_sound(path):
        return read_stimulus(path)
    count_channels(path)  # says what is wrong with a file that is none
    sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
    own = _own_sidecar(path, sha256)
    return _found_in(path, sha256) if own is None else own[1]


@lru_cache(maxsize=REMEMBERED)
def _found_in(path: Path, sha256: str) -> FoundStimulus:
    """Find the sweep in a sound file; its contents' hash tells whether it was changed."""
    channels = []
    for channel in range(1, count_channels(path) + 1):
        try:
            channels.append(read_recording(path, channel=channel))
        except InputError:
            if channel == 1 == count_channels(path):
                raise
    if not channels:
        raise InputError(f"{path}: every channel is silent: give the sound file that was played")
    loudest = max(channels, key=lambda one: float((one.samples**2).sum()))
    return find_stimulus(
        loudest.samples, loudest.rate_hz, name=path.name, sha256=sha256, where=str(path)
    )


def own_sidecar_path(path: Path) -> Path | None:
    """Return the sidecar beside a sound file that names it; None where there is none.

    Raises
    ------
    InputError
        The sound file cannot be read.
    """
    count_channels(path)
    found = _own_sidecar(path, hashlib.sha256(path.read_bytes()).hexdigest())
    return None if found is None else found[0]


def _own_sidecar(path: Path, sha256: str) -> tuple[Path, LadderStimulus | StaircaseStimulus] | None:
    """Return the sidecar beside a sound file that names it, and its stimulus; None without it."""
    for stem in dict.fromkeys((path.stem, re.sub(r"-\d\d$", "", path.stem))):
        sidecar = path.with_name(f"{stem}.json")
        try:
            stimulus = read_sidecar(sidecar)
        except InputError:
            continue
        if any(file.sha256 == sha256 for file in stimulus.files):
            return sidecar, stimulus
    return None
