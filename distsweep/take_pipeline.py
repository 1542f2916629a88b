"""The way of the takes through the house: what a session lists in, takes as measured out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from distsweep.analysis.ladder import MeasuredLadder
from distsweep.analysis.take import measure_take
from distsweep.conversion.take import take_record, warning_record
from distsweep.errors import InputError
from distsweep.reason import Reason
from distsweep.results import Rung, Take, Warning_
from distsweep.stimulus.found_sweep import FoundStimulus
from distsweep.takes.loopback import LoopbackClock, find_loopback, heard_beside
from distsweep.takes.marker_search import Searching
from distsweep.takes.session import Session
from distsweep.takes.session_takes import TakeEntry
from distsweep.takes.take import each_run, find_take, take_settings, take_warnings

if TYPE_CHECKING:
    from distsweep.analysis.staircase import MeasuredStaircase

Progress = Callable[[str], None]
"""Called with what is being worked on, a short text at a time."""


Found = Callable[[FoundStimulus], None]
"""Called with each stimulus that was found in a sound file."""


def with_every_run(session: Session, searching: Searching | None) -> tuple[Session, list[Reason]]:
    """Return a session with an entry for each run where it asks for that, and what to say of it."""
    if not session.every_run:
        return session, []
    runs = [each_run(entry, searching=searching) for entry in session.takes]
    entries = tuple(entry for several, _ in runs for entry in several)
    doubts = [reason for _, of_entry in runs for reason in of_entry]
    return replace(session, takes=entries), doubts


def analyse_takes(
    session: Session,
    progress: Progress | None,
    searching: Searching | None,
    found: Found | None,
) -> tuple[list[Take], list[tuple[int, MeasuredLadder]], list[Warning_]]:
    """Return the takes as recorded, the ladders among them by their number, and warnings."""
    takes: list[Take] = []
    warnings: list[Warning_] = []
    ladders: list[tuple[int, MeasuredLadder]] = []
    failed: InputError | None = None
    for entry in session.takes:
        if progress is not None:
            placement = "" if entry.placement is None else f", placement {entry.placement}"
            progress(f"take {entry.position!r}{placement}")
        try:
            measured, take, doubts = _analyse_take(session, entry, searching, found)
        except InputError as error:
            if not entry.may_fail:
                raise
            failed = failed or error
            reason = str(error)
            for path in entry.recordings:  # a folder is no news, and a bundle's does not last
                reason = reason.replace(str(path), path.name)
            left_out = Reason("run_left_out", run=entry.position, reason=reason)
            warnings.append(warning_record(left_out))
            continue
        if isinstance(measured, MeasuredLadder):
            ladders.append((len(takes), measured))
        takes.append(take)
        warnings += doubts
    if failed is not None and not takes:
        raise failed
    return takes, ladders, warnings


def _analyse_take(
    session: Session, entry: TakeEntry, searching: Searching | None, found: Found | None
) -> tuple[MeasuredLadder | MeasuredStaircase, Take, list[Warning_]]:
    """Return a take as measured and as recorded, with its warnings."""
    calibration = session.calibration_of(entry)
    clock, interface, loopback_doubts = _loopback(session, entry, searching)
    clocked = None if clock is None else clock.clocked
    recorded = find_take(entry, searching=searching, clocked=clocked)
    heard, way_doubts = heard_beside(recorded, clock, session.conditions)
    if found is not None and isinstance(recorded.stimulus, FoundStimulus):
        found(recorded.stimulus)
    settings = take_settings(
        recorded.stimulus.recipe, calibration, session.conditions, band_hz=recorded.band_hz
    )
    measured = measure_take(recorded.cut, settings, interface=interface if heard else ())
    doubts = [*loopback_doubts, *way_doubts]
    warnings = [
        warning_record(reason, take=entry.position)
        for reason in (*doubts, *take_warnings(recorded, measured, settings, session))
    ]
    return measured, take_record(recorded, measured, calibration, loopback=heard), warnings


def _loopback(
    session: Session, entry: TakeEntry, searching: Searching | None
) -> tuple[LoopbackClock | None, list[Rung], list[Reason]]:
    """Return a loop-back's clock, its rungs measured as a ladder's, and what is to be said of it.

    Its samples are not held any longer then: the microphone's are not read yet.
    """
    loopback, doubts = find_loopback(entry, searching=searching)
    if loopback is None or loopback.cut is None:
        return None if loopback is None else loopback.clock, [], doubts
    from distsweep.analysis.sweep.interface import measure_interface

    calibration, conditions = session.calibration_of(entry), session.conditions
    recipe, band_hz = loopback.stimulus.recipe, loopback.band_hz
    settings = take_settings(recipe, calibration, conditions, band_hz=band_hz)
    return loopback.clock, measure_interface(loopback.cut, settings), doubts


def analyse_backgrounds(
    session: Session, takes: Sequence[Take], progress: Progress | None
) -> tuple[list[Take], list[Warning_]]:
    """Return the takes of the background, with their warnings."""
    if not session.backgrounds:
        return [], []
    from distsweep.conversion.background import background_records
    from distsweep.takes.background import find_backgrounds

    if progress is not None:
        progress("takes of the background")
    places, doubts = find_backgrounds(session)
    warnings = [warning_record(reason, take=position) for position, reason in doubts]
    return background_records(places, takes, session.conditions), warnings
