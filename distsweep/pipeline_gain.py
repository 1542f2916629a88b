"""Warnings of a gain that moved while a take was recorded."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from distsweep.analysis.sweep.gain_step import find_step
from distsweep.results import Take, Warning_
from distsweep.stimulus.sidecar import LadderStimulus, StimulusFile
from distsweep.takes.gain_moved import WORTH_A_WORD_DB, MarkerChange
from distsweep.units import FloatArray

CODE = "gain_moved"


def ladder_gain_warnings(
    stimulus: LadderStimulus, changes: Sequence[MarkerChange | None], take: Take
) -> list[Warning_]:
    """Warn of every file of a ladder between whose markers the gain moved for sure."""
    warnings = []
    for file, change in zip(stimulus.files, changes, strict=True):
        if change is None or change.sure_db < WORTH_A_WORD_DB:
            continue
        number = _own_rung(file, take)
        if number is not None:
            stretch = f"the rung at {file.rungs[0].drive_dbfs:g} dBFS"
        elif len(file.rungs) == 1:
            stretch = "the repeated first rung"
        else:
            stretch = f"all rungs of {change.recording}"
        sentence = change.sentence(stretch, where=_where(take, number, change.change_db))
        warnings.append(Warning_(CODE, _capital(sentence), rung=number))
    return warnings


def staircase_gain_warnings(changes: Sequence[MarkerChange | None]) -> list[Warning_]:
    """Warn of every file of a staircase between whose markers the gain moved for sure."""
    return [
        Warning_(CODE, _capital(change.sentence(f"the bursts of {change.recording}")))
        for change in changes
        if change is not None and change.sure_db >= WORTH_A_WORD_DB
    ]


def _own_rung(file: StimulusFile, take: Take) -> int | None:
    """Return the index of a file's only rung among the take's; None where it has several."""
    if {rung.role for rung in file.rungs} != {"rung"}:
        return None
    drives = {rung.drive_dbfs for rung in file.rungs}
    numbers = [i for i, rung in enumerate(take.rungs) if rung.drive_dbfs in drives]
    return numbers[0] if len(drives) == 1 and numbers else None


def _where(take: Take, number: int | None, change_db: float) -> str:
    """Say where the step is seen: in which rung, and where in its sweep."""
    if take.compression is None:
        return ""
    changes = [np.asarray(change) for change in take.compression.gain_change_db]
    rungs = range(len(changes)) if number is None else [number]
    curve = np.concatenate([_against_neighbour(changes, i, number) for i in rungs])
    # The reference is from before the step, or from after it.
    place = find_step(curve, change_db)
    if place is None:
        place = find_step(curve + change_db, change_db)
    if place is None:
        return ""
    rung, point = divmod(place, len(take.frequency_hz))
    drive_dbfs = take.rungs[rungs[rung]].drive_dbfs
    inside = f"at {take.frequency_hz[point]:.0f} Hz"
    return f" (the step is seen {inside}{f' of {drive_dbfs:g} dBFS' if number is None else ''})"


def _against_neighbour(changes: Sequence[FloatArray], rung: int, number: int | None) -> FloatArray:
    """Return a rung's gain re the rung before it; the first one's re the one after.

    A file of all rungs is taken as it is: its steps add up.
    """
    if number is not None and len(changes) > 1:
        return changes[rung] - changes[rung - 1 if rung else 1]
    return changes[rung]


def _capital(sentence: str) -> str:
    return f"{sentence[0].upper()}{sentence[1:]}."
