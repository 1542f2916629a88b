"""What a session is to hold: the table [[positions]] of its ``session.toml``.

``capture`` goes through it, in the order written, and on from where it was stopped.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from distsweep.takes.session_takes import read_distance_m
from distsweep.toml_input import Table

MOST_PLACEMENTS, MOST_PAIRS = 20, 20
"""Most placements of the microphone, and pairs of background takes, at one position (chosen: more
are taken for a slip)."""


@dataclass(frozen=True)
class PlannedPosition:
    """One position of the microphone, and what is to be recorded there.

    Attributes
    ----------
    position : its name.
    stimuli : sidecars of ladders and staircases, in the order played.
    move : what is to be moved, and where to, before it; None where nobody wrote it.
    levels_spl, levels_dbfs : levels of its ladders, and drives, as a text such as "70 to 95 by 5";
        at most one of both; neither: the stimulus's drives.
    placements : how often the microphone is put there, taken away in between.
    background_pairs : pairs of recordings of the background, the loudspeaker on and off.
    distance_m : the microphone's; None: the session's.
    """

    position: str
    stimuli: tuple[Path, ...]
    move: str | None = None
    levels_spl: str | None = None
    levels_dbfs: str | None = None
    placements: int = 1
    background_pairs: int = 0
    distance_m: float | None = None


def read_plan(table: Table, file: Path) -> tuple[PlannedPosition, ...]:
    """Return the positions that are to be captured; none where the table is not there.

    Raises
    ------
    InputError
        They are no list of tables, a position stands there twice, or a key or value cannot be
        used.
    """
    if not table.has("positions"):
        return ()
    listed = table.take("positions")
    if not isinstance(listed, list) or not listed:
        table.fail("positions", "must be tables: write [[positions]], each bracket twice, above"
                   " each")  # fmt: skip
    planned: list[PlannedPosition] = []
    for number, data in enumerate(listed, start=1):
        inner = Table(data, f"{table.where}: [[positions]] {number}")
        one = _position(inner, file)
        if any(one.position == other.position for other in planned):
            inner.fail("position", f"is {one.position!r} once more: write placements = 2 to put the"
                       " microphone there twice")  # fmt: skip
        planned.append(one)
    return tuple(planned)


def _position(inner: Table, file: Path) -> PlannedPosition:
    if inner.has("stimulus"):
        inner.fail("stimulus", 'is for [[takes]]: here write stimuli = ["NAME.json"]')
    names = inner.take("stimuli", [])
    if not isinstance(names, list) or not all(isinstance(name, str) and name for name in names):
        inner.fail("stimuli", f"is {names!r}: must be a list of sidecars' names")
    if len({Path(name) for name in names}) < len(names):
        inner.fail("stimuli", f"is {names!r}: each stands there once")
    pairs = inner.whole("background_pairs", 0, least=1)
    if not names and not pairs:
        inner.fail("stimuli", 'is missing: write stimuli = ["NAME.json"], or background_pairs = 5')
    for key in ("levels_spl", "levels_dbfs"):
        levels = inner.take(key, "")
        if not isinstance(levels, str):
            inner.fail(key, f'is {levels!r}: must be a text, such as "70 to 95 by 5"')
    if inner.has("levels_spl") and inner.has("levels_dbfs"):
        inner.fail("levels_spl", "and levels_dbfs are both given: keep one")
    placements = inner.whole("placements", 1, least=1)
    for key, count, most in (
        ("placements", placements, MOST_PLACEMENTS),
        ("background_pairs", pairs, MOST_PAIRS),
    ):
        if count > most:
            inner.fail(key, f"is {count}: {most} at most")
    planned = PlannedPosition(
        position=inner.text("position"),
        stimuli=tuple(file.parent / name for name in names),
        move=inner.text("move", None),
        levels_spl=inner.text("levels_spl", None),
        levels_dbfs=inner.text("levels_dbfs", None),
        placements=placements,
        background_pairs=pairs,
        distance_m=read_distance_m(inner),
    )
    inner.close()
    return planned
