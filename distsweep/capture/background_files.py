"""The files of background takes, and their place in the session: in whole pairs only."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from distsweep.capture.calibration import now_text
from distsweep.capture.keeping import Reservation, free_take_name, keep, log, read_log, reserve
from distsweep.capture.take import calibration_name, calibration_text, kept_calibration
from distsweep.errors import InputError
from distsweep.takes.session import read_session
from distsweep.takes.session_calibration import Calibration
from distsweep.takes.session_file import FILE_NAME, extended_text, toml_table
from distsweep.takes.session_takes import BACKGROUND, STATES
from distsweep.units import FloatArray
from distsweep.whole_files import write_whole_text

RECORDED, ENTERED = "background_recorded", "background"
"""Events of ``capture-log.jsonl``: a recording was kept; pairs were entered into the session."""


@dataclass
class _Pair:
    """The recordings of a pair, by state."""

    names: dict[str, str] = field(default_factory=dict)

    @property
    def whole(self) -> bool:
        return all(state in self.names for state in STATES)


class Kept:
    """One recording while it is made: kept whole, or not at all."""

    def __init__(self, files: BackgroundFiles, reservation: Reservation, state: str, pair: int):
        """Begin; pairs count from 0."""
        self._files = files
        self._reservation = reservation
        self._state = state
        self._pair = pair

    def add(self, frames: FloatArray) -> None:
        """Write down what has come in since, of all that has, shape ``(frames, 1)``."""
        try:
            self._reservation.add(frames[self._reservation.written :])
        except OSError:  # the whole is written once more when it is kept
            return

    def keep(self, recorded: FloatArray) -> None:
        """Keep the recording, shape ``(frames, 1)``.

        Raises
        ------
        InputError
            It could not be written; the message says where it was kept instead.
        """
        self._files.keep(self._reservation, recorded, self._state, self._pair)


class BackgroundFiles:
    """Keeps the recordings of one stay at a position, and tells the session of whole pairs."""

    def __init__(
        self,
        folder: Path,
        position: str,
        *,
        rate_hz: int,
        distance_m: float | None,
        calibration: Calibration,
    ) -> None:
        """Begin; nothing is written yet."""
        self._folder = folder
        self._position = position
        self._rate_hz = rate_hz
        self._distance_m = distance_m
        self._calibration = calibration
        self._name = free_take_name(folder, f"{position}-background")
        self._since = now_text()
        self._pairs: dict[int, _Pair] = {}

    @property
    def alone(self) -> list[str]:
        """Recordings whose counterpart was not made."""
        return [
            name for pair in self._pairs.values() if not pair.whole for name in pair.names.values()
        ]

    def begin(self) -> None:
        """Keep the calibration; what could go wrong with the session's file goes wrong now.

        Raises
        ------
        InputError
            The session's file is damaged, or the position cannot stand in it.
        """
        _text(self._folder, [self._values(state, ["name.wav"], None) for state in STATES])
        text = calibration_text(self._folder, self._calibration)
        if text is not None:
            write_whole_text(self._folder / calibration_name(self._name), text)

    @contextmanager
    def recording(self, state: str, pair: int, frames: int) -> Iterator[Kept]:
        """Take room for a recording; whatever is not kept meanwhile is given back."""
        reservation = reserve(
            self._folder, name=self._file(state, pair), frames=frames, channels=1,
            rate_hz=self._rate_hz,
        )  # fmt: skip
        try:
            yield Kept(self, reservation, state, pair)
        finally:
            reservation.drop()

    def keep(self, reservation: Reservation, recorded: FloatArray, state: str, pair: int) -> None:
        """Keep a recording and note it in the record."""
        path = keep(reservation, self._folder, self._file(state, pair), recorded, self._rate_hz)
        log(
            self._folder, RECORDED, file=path.name, take=self._name, since=self._since, pair=pair,
            state=state, position=self._position, distance_m=self._distance_m,
        )  # fmt: skip
        self._pairs.setdefault(pair, _Pair()).names[state] = path.name

    def finish(self) -> int:
        """Enter whole pairs into the session; return how many there are.

        Raises
        ------
        InputError
            The session's file cannot be written.
        """
        whole = [pair for _, pair in sorted(self._pairs.items()) if pair.whole]
        if whole:
            calibration = kept_calibration(self._folder, self._name)
            _enter(
                self._folder,
                [
                    self._values(state, [pair.names[state] for pair in whole], calibration)
                    for state in STATES
                ],
            )
        return len(whole)

    def _file(self, state: str, pair: int) -> str:
        return f"{self._name}-{state}-{pair + 1}"

    def _values(self, state: str, recordings: list[str], calibration: str | None) -> dict[str, Any]:
        return _values(self._position, state, recordings, self._distance_m, calibration)


def pairs_there(folder: Path, position: str, distance_m: float | None) -> int:
    """Return how many pairs the session lists at a position.

    Raises
    ------
    InputError
        They were recorded at another distance, or the session's file cannot be used.
    """
    if not (folder / FILE_NAME).exists():
        return 0
    counts = dict.fromkeys(STATES, 0)
    for entry in read_session(folder, takes_required=False).backgrounds:
        if entry.position != position:
            continue
        given = None not in (entry.distance_m, distance_m)
        if given and entry.distance_m != distance_m:
            raise InputError(
                f"{folder / FILE_NAME}: lists background takes at {position!r} from"
                f" {entry.distance_m:g} m: give these another position's name, as they are from"
                f" {distance_m:g} m"
            )
        counts[entry.state] += len(entry.recordings)
    return min(counts.values())


def enter_left_behind(folder: Path) -> list[str]:
    """Enter whole pairs that a capture has kept and never entered, as it was killed.

    What has been in the session once is not entered again.

    Returns
    -------
    What was entered, a sentence each.

    Raises
    ------
    InputError
        The record or the session's file cannot be used.
    """
    entered = _listed(folder)
    stays: dict[tuple[str, str], dict[int, _Pair]] = {}
    noted: dict[tuple[str, str], dict[str, Any]] = {}
    for event in read_log(folder):
        if event.get("event") == ENTERED:
            entered.update(map(str, event.get("recordings", [])))
        elif event.get("event") == RECORDED and (folder / str(event.get("file"))).is_file():
            stay = str(event.get("take")), str(event.get("since"))
            pair = stays.setdefault(stay, {}).setdefault(int(event.get("pair", 0)), _Pair())
            pair.names[str(event.get("state"))] = str(event.get("file"))
            noted[stay] = event
    sentences = []
    for (name, since), pairs in stays.items():
        whole = [
            pair
            for _, pair in sorted(pairs.items())
            if pair.whole and not entered & set(pair.names.values())
        ]
        if not whole:
            continue
        event = noted[(name, since)]
        position, distance_m = str(event.get("position")), event.get("distance_m")
        calibration = kept_calibration(folder, name)
        _enter(
            folder,
            [
                _values(position, state, [p.names[state] for p in whole], distance_m, calibration)
                for state in STATES
            ],
        )
        sentences.append(
            f"an earlier capture left {len(whole)} pair(s) of background takes at {position!r}:"
            " they are in the session now"
        )
    return sentences


def _listed(folder: Path) -> set[str]:
    """Return the names of the background's recordings that the session lists."""
    if not (folder / FILE_NAME).exists():
        return set()
    entries = read_session(folder, takes_required=False).backgrounds
    return {path.name for entry in entries for path in entry.recordings}


def _values(
    position: str,
    state: str,
    recordings: list[str],
    distance_m: float | None,
    calibration: str | None,
) -> dict[str, Any]:
    """Return what a background take's table in ``session.toml`` holds."""
    return {
        "kind": BACKGROUND,
        "position": position,
        "state": state,
        "recording": recordings,
        "channel": 1,
        "distance_m": distance_m,
        "calibration": calibration,
    }


def _enter(folder: Path, tables: Sequence[dict[str, Any]]) -> None:
    """Add the tables of both states to the session at once."""
    write_whole_text(folder / FILE_NAME, _text(folder, tables))
    recordings = [name for values in tables for name in values["recording"]]
    log(folder, ENTERED, position=tables[0]["position"], recordings=recordings)


def _text(folder: Path, tables: Sequence[dict[str, Any]]) -> str:
    """Return the session's text with the tables added."""
    first, *others = tables
    text = extended_text(folder / FILE_NAME, "[[takes]]", first)
    return "\n".join([text, *(toml_table("[[takes]]", values) for values in others)])
