"""Warnings of a gain that moved while a take was recorded, and where in a ladder it did."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from distsweep.analysis.ladder import MeasuredLadder
from distsweep.analysis.sweep.gain_step import find_step
from distsweep.reason import Reason
from distsweep.stimulus.sidecar import LadderStimulus, StimulusFile
from distsweep.takes.gain_moved import MarkerChange
from distsweep.units import FloatArray


def ladder_gain_warnings(
    stimulus: LadderStimulus, changes: Sequence[MarkerChange | None], measured: MeasuredLadder
) -> list[Reason]:
    """Name every file of a ladder whose gain moved for sure between its markers, if left so."""
    righted = {one.recording for one in measured.damage if one.kind == "gain_step" and one.bridged}
    warnings = []
    for file, change in zip(stimulus.files, changes, strict=True):
        if change is None or not change.worth_a_word or change.recording in righted:
            continue
        rung = _own_rung(file, measured)
        several = "all_rungs" if len(file.rungs) > 1 else "return"
        step_hz, step_dbfs = _step(measured, rung, change.change_db)
        warnings.append(
            Reason(
                "gain_moved",
                stretch=several if rung is None else "rung",
                rung=rung,
                drive_dbfs=file.rungs[0].drive_dbfs,
                recording=change.recording,
                change_db=change.change_db,
                cause=change.cause,
                step_hz=step_hz,
                step_dbfs=step_dbfs,
            )
        )
    return warnings


def staircase_gain_warnings(changes: Sequence[MarkerChange | None]) -> list[Reason]:
    """Name every file of a staircase between whose markers the gain moved for sure."""
    return [
        Reason(
            "gain_moved",
            stretch="bursts",
            recording=change.recording,
            change_db=change.change_db,
            cause=change.cause,
        )
        for change in changes
        if change is not None and change.worth_a_word
    ]


def _own_rung(file: StimulusFile, measured: MeasuredLadder) -> int | None:
    """Return the index of a file's only rung among the ladder's; None where it has several."""
    if {rung.role for rung in file.rungs} != {"rung"}:
        return None
    drives = {rung.drive_dbfs for rung in file.rungs}
    numbers = [i for i, rung in enumerate(measured.rungs) if rung.drive_dbfs in drives]
    return numbers[0] if len(drives) == 1 and numbers else None


def _step(
    measured: MeasuredLadder, rung: int | None, change_db: float
) -> tuple[float | None, float | None]:
    """Return the frequency at which the gain stepped, and the drive of the rung that it is in.

    ``rung`` is the only one that it can be in; None: any. Without a clear step both are None.
    """
    changes = measured.compression.gain_change_db
    rungs = range(len(changes)) if rung is None else [rung]
    curve = np.concatenate([_against_neighbour(changes, i, rung) for i in rungs])
    # The reference is from before the step, or from after it.
    place = find_step(curve, change_db)
    if place is None:
        place = find_step(curve + change_db, change_db)
    if place is None:
        return None, None
    row, point = divmod(place, len(measured.frequency_hz))
    return float(measured.frequency_hz[point]), measured.rungs[rungs[row]].drive_dbfs


def _against_neighbour(changes: Sequence[FloatArray], row: int, rung: int | None) -> FloatArray:
    """Return a rung's gain re the rung before it; the first one's re the one after.

    A file of all rungs is taken as it is: its steps add up.
    """
    if rung is not None and len(changes) > 1:
        return changes[row] - changes[row - 1 if row else 1]
    return changes[row]
