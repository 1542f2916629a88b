"""The records behind ``comparison.json``: what differs between results, and how surely."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from distsweep.results import Results
from distsweep.results.record import Record
from distsweep.units import FloatArray

SCHEMA = "distsweep.comparison/1"

DRIVE, BAND, EACH_FREQUENCY = "drive", "band", "each frequency"
"""What is equal on both sides: drive, SPL over the level band, or SPL at each frequency."""


@dataclass(frozen=True, repr=False)
class Source(Record):
    """One of the results compared; ``name`` is unique among them."""

    name: str
    device: str | None = None
    place: str | None = None
    date: str | None = None
    version: str | None = None
    created: str | None = None

    @classmethod
    def of(cls, name: str, results: Results) -> Source:
        """Return a source as its results describe it; where it lies is not known."""
        made = results.provenance
        return cls(
            name,
            device=results.device.name,
            date=results.conditions.date,
            version=None if made is None else made.version,
            created=None if made is None else made.created,
        )


def numbered(names: Sequence[str]) -> list[str]:
    """Return names that are all different: a name that was there before has a number behind it."""
    found: list[str] = []
    for name in names:
        number, shown = 1, name
        while shown in found:
            number += 1
            shown = f"{name} ({number})"
        found.append(shown)
    return found


@dataclass(frozen=True, repr=False)
class Difference(Record):
    """A quantity of source number ``source`` less that of the first; arrays have one shape.

    ``quantity`` is "fundamental", "thd", "h2", "h3", …, "gain change" or "clean level"; ``aligned``
    says what was equal, at ``drive_dbfs`` or ``spl_db`` (the one that is not None).
    ``difference_db`` is NaN where it is not known; ``low_db`` and ``high_db`` are the ends of its
    95 % interval: −inf is "at most" the high end, inf "at least" the low one. Both sides' intervals
    are in it, and how well such a measurement repeats; the calibration is where it differs.
    """

    quantity: str
    position: str
    frequency_hz: FloatArray
    difference_db: FloatArray
    low_db: FloatArray
    high_db: FloatArray
    source: int = 1
    aligned: str = DRIVE
    drive_dbfs: float | None = None
    spl_db: float | None = None


@dataclass(frozen=True, repr=False)
class Finding(Record):
    """Something that differs beyond doubt, or what a filter costs.

    ``difference_db`` with ``low_db`` and ``high_db`` (95 %) is the mean over ``low_hz`` to
    ``high_hz``; where noise hides one side throughout it is a bound, and the end beyond it is
    infinite. Of a resonance that moved, ``change_percent`` says by how much of its frequency.
    ``source`` less the first source. ``drives_dbfs`` are those at which it differs.
    """

    sentence: str
    quantity: str
    low_hz: float | None
    high_hz: float | None
    difference_db: float | None
    low_db: float | None
    high_db: float | None
    position: str | None = None
    source: int = 1
    drives_dbfs: list[float] = field(default_factory=list)
    change_percent: float | None = None
    deviations: float | None = None


@dataclass(frozen=True, repr=False)
class ResonanceChange(Record):
    """A resonance of the first source, of another one, or of both.

    ``state`` is "same" (no difference that can be seen), "moved", "gone", "new" or "cannot tell"
    (one side has it, and nothing says that the other has not). ``change_percent`` is the other's
    frequency re the first's, brought to one temperature where ``at_one_temperature`` (a box's or a
    pipe's mode), with its 95 % interval; ``deviations`` is how many standard deviations the change
    of state rests on.
    """

    state: str
    kind: str
    source: int = 1
    frequency_hz: float | None = None
    other_hz: float | None = None
    q: float | None = None
    other_q: float | None = None
    change_percent: float | None = None
    low_percent: float | None = None
    high_percent: float | None = None
    at_one_temperature: bool = False
    deviations: float = 0.0
    sentence: str = ""


@dataclass(frozen=True, repr=False)
class Comparison(Record):
    """Everything that ``comparison.json`` holds; the others are held against ``sources[0]``.

    ``tests`` is how many statements were tried, ``deviations`` how many standard deviations one of
    them must reach so that, where nothing differs, one comparison in twenty finds anything.
    ``conditions`` says what differed between the measurements, ``not_compared`` what was left out
    and why, ``unseen`` what does not differ as far as the measurements can see.
    """

    sources: list[Source]
    differences: list[Difference]
    findings: list[Finding]
    not_compared: list[str]
    aligned: str = DRIVE
    resonances: list[ResonanceChange] = field(default_factory=list)
    conditions: list[str] = field(default_factory=list)
    unseen: list[str] = field(default_factory=list)
    tests: int = 0
    deviations: float = 0.0
    schema: str = SCHEMA
