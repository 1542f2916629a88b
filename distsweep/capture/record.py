"""What ``capture-log.jsonl`` says of takes: where each was made, and how loud it was heard."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from distsweep.capture.keeping import read_log
from distsweep.capture.take import RECORDING, Place


@dataclass
class TakeRecord:
    """What was noted of one take.

    Attributes
    ----------
    name : its recordings begin with it.
    place : where it was made, and the plan's name of its stimulus.
    asked : its levels as they were asked for, see ``Order.asked``; None in older records.
    replaces : sidecars of takes that leave the session's list once this one is whole.
    probe_gain_db : of the last probe before its first recording, from 0 dBFS played to dBFS at the
        input.
    rungs : what was measured last of each rung of a ladder, by its number from 1.
    ended : why it was stopped for safety, if it was.
    """

    name: str
    place: Place
    asked: dict[str, Any] | None = None
    replaces: tuple[str, ...] = ()
    probe_gain_db: float | None = None
    rungs: dict[int, dict[str, Any]] = field(default_factory=dict)
    ended: str | None = None


@dataclass
class Record:
    """What was noted of all takes of a session.

    Attributes
    ----------
    takes : in the order in which they were begun, by their names.
    named : name of the take that a sidecar, as listed in ``session.toml``, belongs to.
    retired : sidecars of takes that have left the session's list for another one.
    spoilt : names of recordings that were made again, for samples were lost in them.
    """

    takes: dict[str, TakeRecord] = field(default_factory=dict)
    named: dict[str, str] = field(default_factory=dict)
    retired: set[str] = field(default_factory=set)
    spoilt: set[str] = field(default_factory=set)

    def take_of(self, sidecar: str, recordings: Sequence[Path]) -> str | None:
        """Return the name of the take that the session lists so; None where it is no capture's.

        A process that is killed may have listed it, and not noted that it did: then the
        recordings tell.
        """
        name = self.named.get(sidecar)
        if name is None:
            named = {take_of_recording(path.name) for path in recordings}
            name = named.pop() if len(named) == 1 else None
        return name if name in self.takes else None


def read_record(folder: Path) -> Record:
    """Return what the session's record says of takes.

    Raises
    ------
    InputError
        See ``read_log``.
    """
    record = Record()
    current: TakeRecord | None = None
    probe_gain_db, recorded = None, ""
    for event in read_log(folder):
        kind, name = event.get("event"), str(event.get("take"))
        if kind == "started":
            asked = event.get("asked")
            current = TakeRecord(
                name,
                noted_place(event, name),
                asked if isinstance(asked, dict) else None,
                _names(event.get("replaces")),
            )
            record.takes.pop(name, None)  # a name that was free again
            record.takes[name] = current
            record.named = {key: item for key, item in record.named.items() if item != name}
            probe_gain_db = None
        elif kind == "resumed":
            current = record.takes.get(name)
            probe_gain_db = None
            if current is not None:
                current.replaces = _names(event.get("replaces"))
        elif kind == "recorded":
            recorded = str(event.get("file"))
            record.spoilt.discard(recorded)
            if current is not None and take_of_recording(recorded) == current.name:
                _note_probe(current, probe_gain_db)
        elif kind == "retired":
            record.retired.update(_names(event.get("takes")))
        elif kind == "repeated":
            record.spoilt.add(recorded)
        elif kind == "take":
            stimulus = str(event.get("stimulus"))
            known = isinstance(event.get("take"), str)
            record.named[stimulus] = name if known else _take_name(stimulus)
        elif kind == "probe":
            probe_gain_db = _number(event.get("gain_db"))
        elif current is not None:
            _note(current, event)
    return record


def take_of_recording(name: str) -> str | None:
    """Return the name of the take that a rung's or tone's recording is of, by the file's name."""
    named = RECORDING.fullmatch(name)
    return None if named is None else named["take"]


def _note_probe(take: TakeRecord, probe_gain_db: float | None) -> None:
    """Note the probe before a take's first recording: the level that all of it is to have."""
    if take.probe_gain_db is None:
        take.probe_gain_db = probe_gain_db


def _note(take: TakeRecord, event: dict[str, Any]) -> None:
    """Add what happened while a take was made."""
    kind = event.get("event")
    number = event.get("number")
    if kind == "rung" and isinstance(number, int):
        take.rungs[number] = event
    elif kind == "stopped" and event.get("safety") is True:
        take.ended = str(event.get("why"))


def noted_place(event: dict[str, Any], take: str) -> Place:
    """Return where the take of a "started" event was made; ``take`` is its name."""
    position = event.get("position")
    placement, channel = event.get("placement"), event.get("loopback_channel")
    planned = event.get("planned")
    return Place(
        position if isinstance(position, str) and position.strip() else take,
        placement=placement if isinstance(placement, int) else None,
        loopback_channel=channel if isinstance(channel, int) else None,
        distance_m=_number(event.get("distance_m")),
        planned=planned if isinstance(planned, str) else None,
    )


def _names(value: Any) -> tuple[str, ...]:
    return tuple(map(str, value)) if isinstance(value, list) else ()


def _number(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) else None


def _take_name(stimulus: str) -> str:
    """Return the name of a take by its sidecar's, for older records do not hold it."""
    return re.sub(r"(-partial(_\d+)?)?[.]json$", "", stimulus)
