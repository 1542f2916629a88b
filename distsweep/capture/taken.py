"""What a session holds already of its plan: takes that are whole, and takes to be gone on with."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from distsweep.capture.record import Record, TakeRecord, read_record
from distsweep.capture.recovery import whole_recordings
from distsweep.capture.sending import Order
from distsweep.capture.stays import Step
from distsweep.capture.take import Begun, Place, file_number
from distsweep.errors import InputError
from distsweep.stimulus.sidecar import StimulusFile, read_sidecar
from distsweep.takes.session import Session, read_session
from distsweep.takes.session_takes import TakeEntry

LAID_OUT = ("name", "levels_dbfs", "quiet_s", "rest_s", "release_s", "ramp_ms")
"""What ``capture`` itself changes of a recipe, by the probe and the way there and back."""


@dataclass(frozen=True)
class Taken:
    """A take of the plan that the session lists.

    Attributes
    ----------
    name : its recordings begin with it.
    begun : what there is of it; ``wanted`` is what is missing.
    ended : why it is not gone on with; None where it may be.
    sidecars : of this and earlier takes of the same step, as listed.
    loopback_channel, placement : see ``Place``; as listed.
    asked : see ``TakeRecord``.
    replaced : sidecars of earlier takes that should have left the list when this one was whole.
    """

    name: str
    begun: Begun
    ended: str | None
    sidecars: tuple[str, ...]
    loopback_channel: int | None = None
    asked: dict[str, Any] | None = None
    replaced: tuple[str, ...] = ()
    placement: int | None = None

    @property
    def whole(self) -> bool:
        """Whether nothing is missing, in the session's list either."""
        return not self.begun.wanted and not self.begun.adopted

    @property
    def goes_on(self) -> bool:
        """Whether it is to be gone on with."""
        return not self.whole and self.ended is None

    def extent(self) -> str:
        """Say how much there is of it."""
        begun = self.begun
        kind = "rung" if begun.stimulus.recipe.kind == "ladder" else "tone"
        total, there = len(begun.stimulus.files), len(begun.present)
        if there == total:
            return f"{total} {kind}{'s' if total != 1 else ''}"
        return f"{there} of {total} {kind}s"

    def differs_from(self, order: Order) -> str | None:
        """Return what of a take's order is another one now, in words; None where nothing is."""
        now, then = order.stimulus.recipe, self.begun.stimulus.recipe
        if type(now) is not type(then):
            return "another stimulus"
        laid_out = {key: getattr(then, key) for key in LAID_OUT if hasattr(then, key)}
        if replace(now, **laid_out) != then:
            return "another stimulus"
        return None if self.asked in (None, order.asked) else "another list of levels"

    def check_continues(self, order: Order, place: Place) -> None:
        """Refuse to go on with a take of which the rest would be another measurement.

        Raises
        ------
        InputError
            Its stimulus or levels are others now, or what its recordings' columns hold.
        """
        what = self.differs_from(order)
        if what is not None:
            raise InputError(
                f"{self.name} was begun with {what}: put it back as it was, or record the position"
                " again (--again)"
            )
        if place.loopback_channel != self.loopback_channel:
            how = "without a loop-back: leave out" if place.loopback_channel else "with one: give"
            raise InputError(
                f"{self.name} was begun {how} --loopback-channel, or record the position again"
                " (--again)"
            )

    def again(self, number: int) -> Begun:
        """Return it with one of its files declared missing.

        Raises
        ------
        InputError
            It has no such file, or one that lies beyond where it was ended for safety.
        """
        files = {file_number(file): file.name for file in self.begun.stimulus.files}
        if number not in files:
            listed = ", ".join(map(str, files))
            raise InputError(f"--again: {self.name} has no number {number}: it has {listed}")
        if self.ended is not None and files[number] not in self.begun.present:
            raise InputError(
                f"--again: {self.name} was ended before number {number} ({self.ended}): record"
                " the whole of it again"
            )
        return replace(self.begun, wanted=(files[number],))


def taken_steps(
    folder: Path, steps: Iterable[Step], *, thd_limit_percent: float
) -> dict[Step, Taken]:
    """Return what a session holds of the takes of its plan; what it lacks is not in it.

    Parameters
    ----------
    thd_limit_percent : a ladder with a rung above it goes no further.

    Raises
    ------
    InputError
        The session or its record cannot be read, or a sidecar that it names.
    """
    session, record = read_session(folder, takes_required=False), read_record(folder)
    found = {}
    for step in steps:
        entries = _entries(step, session, record)
        if entries:
            name, entry = entries[-1]
            take = record.takes[name]
            begun = _begun(folder, take, entry, record.spoilt)
            ended = take.ended or _too_distorted(take, thd_limit_percent)
            sidecars = tuple(listed.stimulus.name for _, listed in entries)
            ended = ended if begun.wanted else None
            left = set(take.replaces) - record.retired
            found[step] = Taken(
                name,
                begun,
                ended,
                sidecars,
                entry.loopback_channel,
                take.asked,
                tuple(name for name in sidecars if name in left),
                entry.placement,
            )
    return found


def _entries(step: Step, session: Session, record: Record) -> list[tuple[str, TakeEntry]]:
    """Return the takes that the session lists for a step, the one begun last at the end."""
    listed = {
        record.take_of(entry.stimulus.name, entry.recordings): entry for entry in session.takes
    }
    return [
        (name, entry)
        for name, take in record.takes.items()
        if (entry := listed.get(name)) is not None and _is_of(take, entry, step)
    ]


def _is_of(take: TakeRecord, entry: TakeEntry, step: Step) -> bool:
    """Tell whether a take is of a step: position and placement as listed, the stimulus as noted."""
    return (entry.position, take.place.planned, entry.placement or 1) == (
        step.planned.position,
        step.name,
        step.placement,
    )


def _begun(folder: Path, take: TakeRecord, entry: TakeEntry, spoilt: Collection[str]) -> Begun:
    """Return what there is of a take: what is listed, and what a killed process has left."""
    listed = read_sidecar(entry.stimulus)
    stimulus = read_sidecar(folder / f"{take.name}.json") if entry.partial else listed
    if len(listed.files) != len(entry.recordings):
        raise InputError(
            f"{folder}: the take of {entry.stimulus.name} lists {len(entry.recordings)} recordings"
            f" of {len(listed.files)}: list them all, or take its [[takes]] table out"
        )
    present = {
        file.name: path
        for file, path in zip(listed.files, entry.recordings, strict=True)
        if path.is_file()
    }
    missing = [file for file in stimulus.files if file.name not in present]
    left = whole_recordings(folder, take.name, stimulus, missing, spoilt=spoilt) if missing else {}
    return Begun(
        stimulus=stimulus,
        sidecar=entry.stimulus.name,
        present={**present, **left},
        wanted=tuple(file.name for file in missing if file.name not in left),
        partial=entry.partial,
        adopted=bool(left),
        probe_gain_db=take.probe_gain_db,
        rung_gains_db=_rung_gains_db(take, stimulus.files),
    )


def _rung_gains_db(take: TakeRecord, files: Iterable[StimulusFile]) -> dict[str, float]:
    gains = {}
    for file in files:
        gain_db = take.rungs.get(file_number(file), {}).get("gain_db")
        if isinstance(gain_db, int | float):
            gains[file.name] = float(gain_db)
    return gains


def _too_distorted(take: TakeRecord, limit_percent: float) -> str | None:
    """Say which rung was above the limit of THD; None where none was."""
    for number, event in take.rungs.items():
        thd_percent = event.get("thd_percent")
        if isinstance(thd_percent, int | float) and thd_percent > limit_percent:
            return f"THD of rung {number} is {thd_percent:.0f} %, the limit {limit_percent:g} %"
    return None


def replaced_by(taken: Taken, *, anew: bool) -> tuple[str, ...]:
    """Return the sidecars of takes that leave the list once the step's take is whole.

    ``anew``: another take is begun; else the last one that was begun is gone on with.
    """
    return taken.sidecars if anew else taken.sidecars[:-1]
