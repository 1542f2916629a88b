"""What a session's record holds of the noise at the listener's place."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from distsweep.capture.exposure import Exposure
from distsweep.capture.keeping import listener_dba_minutes, log

LEAST_NOTED_DBA = 60.0
"""Exposure below is not noted (chosen: a day and a night of it are 0.9 % of NIOSH's dose)."""


def note_exposures(folder: Path, exposures: Iterable[Exposure]) -> None:
    """Add what was played, spoilt tries included, to the session's record."""
    noted = [
        (round(item.level_dba, 2), round(item.minutes, 6))
        for item in exposures
        if item.level_dba >= LEAST_NOTED_DBA
    ]
    log(folder, "exposure", listener_dba_minutes=noted)


def played_before(folder: Path) -> list[Exposure]:
    """Return what the session's record says was played before at the listener's place.

    Raises
    ------
    InputError
        The record is damaged, so that the dose is not known.
    """
    return [Exposure(*pair) for pair in listener_dba_minutes(folder)]
