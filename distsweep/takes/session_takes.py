"""The takes that a ``session.toml`` lists: of a stimulus, and of the background."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from distsweep import plausible
from distsweep.takes.session_calibration import Calibration, own_calibration
from distsweep.toml_input import Table

BACKGROUND = "background"
"""Kind of a take that was recorded while nothing was played."""

STATES = ("on", "off")
"""Of the loudspeaker while the background was recorded."""


@dataclass(frozen=True)
class TakeEntry:
    """One take as listed: its stimulus's sidecar and its recordings, one or one a rung.

    ``channel`` is None where none was named: the first, or the one that holds the markers.
    ``number`` tells which run of the stimulus is meant where a recording holds several, counted
    from 1; None: the first. ``calibration`` is the one this take was made with; None: the
    session's. ``may_fail``: it is left out, with a warning, where it cannot be analysed.
    ``placement`` counts from 1 how often the microphone was put at this position; None: it was put
    there once, or nobody noted it. ``loopback_channel`` holds the output itself, wired back to the
    input. ``distance_m`` is the microphone's; None: the session's.
    """

    position: str
    stimulus: Path
    recordings: tuple[Path, ...]
    channel: int | None = None
    partial: bool = False
    calibration: Calibration | None = None
    number: int | None = None
    may_fail: bool = False
    placement: int | None = None
    loopback_channel: int | None = None
    distance_m: float | None = None


@dataclass(frozen=True)
class BackgroundEntry:
    """Recordings of the background at one position while the loudspeaker was in one state.

    The first recording with the loudspeaker "on" was made beside the first with it "off", and so
    on. ``distance_m`` is the microphone's from the loudspeaker, or the driver it stands close to;
    None: the session's.
    """

    position: str
    state: str
    recordings: tuple[Path, ...]
    channel: int | None = None
    calibration: Calibration | None = None
    distance_m: float | None = None


def read_takes(
    table: Table, file: Path, common: Calibration
) -> tuple[tuple[TakeEntry, ...], tuple[BackgroundEntry, ...]]:
    """Return the takes of stimuli, and of the background, in the order listed.

    ``common`` is the session's calibration.

    Raises
    ------
    InputError
        They are no list of tables, or a table's keys or values cannot be used.
    """
    if table.has("positions") and not table.has("takes"):
        table.fail("takes", "is missing: 'distsweep capture' records what [[positions]] asks for,"
                   " and adds it")  # fmt: skip
    listed = table.take("takes")
    if isinstance(listed, dict):
        table.fail("takes", "is a single table: write [[takes]], each bracket twice, above each")
    if not isinstance(listed, list) or not listed:
        table.fail("takes", "is empty: add a [[takes]] table with position, stimulus, recording")
    takes, backgrounds = [], []
    for number, data in enumerate(listed, start=1):
        inner = Table(data, f"{table.where}: [[takes]] {number}")
        inner.text("device", None)  # see the session's _one_device
        if _kind(inner) == BACKGROUND:
            backgrounds.append(_background(inner, file, common))
        else:
            takes.append(_take(inner, file, common))
        inner.close()
    _refuse_same(takes, backgrounds, table)
    return tuple(takes), tuple(backgrounds)


def _refuse_same(
    takes: Sequence[TakeEntry], backgrounds: Sequence[BackgroundEntry], table: Table
) -> None:
    """Refuse one recording as two placements, or as two of the background: they do not differ."""
    placed = [
        (take.recordings, take.stimulus, take.channel, take.number)
        for take in takes
        if take.placement is not None
    ]
    quiet = [(path, entry.channel) for entry in backgrounds for path in entry.recordings]
    for key in placed:
        if placed.count(key) > 1:
            table.fail("takes", f"name {key[0][0].name!r} for two placements: each has its own"
                       " recording")  # fmt: skip
    for path, channel in quiet:
        if quiet.count((path, channel)) > 1:
            table.fail("takes", f"name {path.name!r} twice as a recording of the background: how"
                       " much it wanders is told by another each")  # fmt: skip


def _kind(inner: Table) -> str | None:
    kind: str | None = inner.text("kind", None)
    if kind not in (None, BACKGROUND):
        inner.fail("kind", f"is {kind!r}: write {BACKGROUND!r}, or leave it out where a stimulus"
                   " was played")  # fmt: skip
    return kind


def _take(inner: Table, file: Path, common: Calibration) -> TakeEntry:
    return TakeEntry(
        stimulus=file.parent / inner.text("stimulus"),
        number=inner.whole("number", None, least=1),
        partial=inner.truth("partial", False),
        placement=inner.whole("placement", None, least=1),
        loopback_channel=inner.whole("loopback_channel", None, least=1),
        **_common(inner, file, common),
    )


def _background(inner: Table, file: Path, common: Calibration) -> BackgroundEntry:
    state = inner.text("state")
    if state not in STATES:
        inner.fail("state", f"is {state!r}: must be 'on' or 'off', as the loudspeaker was")
    return BackgroundEntry(state=state, **_common(inner, file, common))


def _common(inner: Table, file: Path, common: Calibration) -> dict[str, Any]:
    """Return what a take of either kind has."""
    recording = inner.take("recording")
    names = recording if isinstance(recording, list) else [recording]
    if not names or not all(isinstance(name, str) and name for name in names):
        inner.fail("recording", f"is {recording!r}: must be a file's name, or a list of them")
    return {
        "position": inner.text("position"),
        "recordings": tuple(file.parent / name for name in names),
        "channel": inner.whole("channel", None, least=1),
        "calibration": own_calibration(inner, file, common),
        "distance_m": read_distance_m(inner),
    }


def read_distance_m(inner: Table) -> float | None:
    """Return the microphone's distance where a table gives one, in metres.

    Raises
    ------
    InputError
        It is no distance that a microphone can have.
    """
    distance_m: float | None = inner.number("distance_m", None)
    low, high = plausible.DISTANCE_M.possible
    if distance_m is not None and not plausible.DISTANCE_M.holds(distance_m):
        inner.fail("distance_m", f"is {distance_m:g} m: must lie between {low:g} and {high:g}")
    return distance_m
