"""What a ladder still has to play: rungs of the take, and rises on the way up to them."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

from distsweep.capture.levels import LARGEST_RISE_DB, with_gentle_rises
from distsweep.capture.take import Begun, file_number
from distsweep.errors import InputError
from distsweep.stimulus.layout import lay_out
from distsweep.stimulus.sidecar import LadderStimulus, StimulusFile
from distsweep.words.wording import with_sign

MOVED_DB = 1.0
"""A take is not gone on with where its level has moved by more (chosen: twice the 0.5 dB by which
the predictions of one probe and the next differ)."""

MOVED_IN_NOISE_DB = 2.0
"""The same where a probe stands less than 25 dB above the background (chosen: its level is then
right within 1 dB)."""


@dataclass(frozen=True)
class Piece:
    """One file that is to be played.

    Attributes
    ----------
    stimulus, file : what is played.
    number : of the rung in its take, from 1; of a rise, of the rung that it leads to.
    rise : it is played only so that no rise exceeds 10 dB, and is part of no take.
    same_as : of a rise, the file of the take that was played at its drive, if one was.
    """

    stimulus: LadderStimulus
    file: StimulusFile
    number: int
    rise: bool = False
    same_as: str | None = None


def all_pieces(stimulus: LadderStimulus) -> tuple[Piece, ...]:
    """Return every rung of a ladder that begins anew."""
    return tuple(
        Piece(stimulus, file, number) for number, file in enumerate(stimulus.files, start=1)
    )


def wanted_pieces(begun: Begun, *, probe_dbfs: float, name: str) -> tuple[Piece, ...]:
    """Return the rungs that a take still wants, with rises before those that need them.

    Rises are at drives of the take's own rungs where those are near enough, so that their levels
    can be held against what was measured before.

    Parameters
    ----------
    probe_dbfs : drive of the probe that was heard.
    name : of the take.
    """
    stimulus = begun.stimulus
    assert isinstance(stimulus, LadderStimulus)
    own = {
        file.rungs[0].drive_dbfs: file.name
        for file in stimulus.files
        if file.rungs[0].role == "rung"
    }
    pieces: list[Piece] = []
    heard_dbfs = probe_dbfs
    for file in stimulus.files:
        if file.name not in begun.wanted:
            continue
        number, drive_dbfs = file_number(file), file.rungs[0].drive_dbfs
        for rise_dbfs in rises(sorted(own), to_dbfs=drive_dbfs, from_dbfs=heard_dbfs):
            piece = _rise(stimulus, rise_dbfs, f"{name}-rise", number)
            same_as = own.get(rise_dbfs)
            pieces.append(dataclasses.replace(piece, same_as=same_as))
        pieces.append(Piece(stimulus, file, number))
        heard_dbfs = max(heard_dbfs, drive_dbfs)
    return tuple(pieces)


def rises(own_dbfs: Sequence[float], *, to_dbfs: float, from_dbfs: float) -> list[float]:
    """Return the drives that are to sound before one, each at most LARGEST_RISE_DB louder.

    Parameters
    ----------
    own_dbfs : drives of the take's rungs, rising, of which as few as will do are taken.
    from_dbfs : what has been heard.
    """
    way = with_gentle_rises(
        [*(d for d in own_dbfs if from_dbfs < d < to_dbfs), to_dbfs], from_db=from_dbfs
    )
    chosen: list[float] = []
    heard_dbfs = from_dbfs
    while to_dbfs - heard_dbfs > LARGEST_RISE_DB + 1e-9:
        heard_dbfs = max(d for d in way if d - heard_dbfs <= LARGEST_RISE_DB + 1e-9)
        chosen.append(heard_dbfs)
    return chosen


def _rise(stimulus: LadderStimulus, drive_dbfs: float, name: str, number: int) -> Piece:
    recipe = dataclasses.replace(
        stimulus.recipe, name=name, levels_dbfs=(drive_dbfs,), repeats=1, return_rung=False
    )
    alone = lay_out(recipe, split=True)
    marker = dataclasses.replace(alone.marker, level_dbfs=drive_dbfs)
    alone = dataclasses.replace(alone, marker=marker)
    return Piece(alone, alone.files[0], number, rise=True)


def check_unmoved(change_db: float, shown_by: str, *, limit_db: float) -> None:
    """Refuse to go on with a take whose level is not what it was.

    Parameters
    ----------
    change_db : level now less level then, at the same drive.
    shown_by : such as "the probe".

    Raises
    ------
    InputError
        It has moved by more than ``limit_db``.
    """
    if abs(change_db) > limit_db:
        raise InputError(
            f"{shown_by} shows {with_sign(change_db)} dB re when this take was begun, so one take"
            " would hold two levels: set volume, gain and microphone as they were, or record the"
            " position again (--again)"
        )
