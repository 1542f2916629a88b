"""Results held against the first of them."""

from __future__ import annotations

from collections.abc import Sequence

from distsweep.comparison.aligned import places
from distsweep.comparison.differences import (
    Doubts,
    clean_level_differences,
    curve_differences,
    gain_change_differences,
)
from distsweep.comparison.record import (
    BAND,
    DRIVE,
    EACH_FREQUENCY,
    Comparison,
    Difference,
    Source,
)
from distsweep.errors import InputError
from distsweep.results import Results, Take, first_take


def compare(
    *results: Results, aligned: str = DRIVE, names: Sequence[str] | None = None
) -> Comparison:
    """Hold results against the first of them.

    Parameters
    ----------
    aligned : what is equal on both sides: "drive", "band" (the SPL over the level band) or
        "each frequency" (the SPL at each frequency).
    names : of the sources; None: their devices' names.

    Raises
    ------
    ValueError
        Fewer than two results are given, or ``aligned`` is none of these.
    InputError
        Nothing can be compared: no position is common, or levels have no common unit.
    """
    if len(results) < 2:
        raise ValueError("give two results or more: the first is what the others are held against")
    if aligned not in (DRIVE, BAND, EACH_FREQUENCY):
        raise ValueError(
            f"aligned {aligned!r:.40}: must be {DRIVE!r}, {BAND!r} or {EACH_FREQUENCY!r}"
        )
    sources = _sources(results, names)
    differences: list[Difference] = []
    for number, other in enumerate(results[1:], start=1):
        pairs = common_takes(results[0], other)
        if not pairs:
            raise InputError(f"{sources[number].name}: no position has a ladder in both results")
        for ours, theirs in pairs:
            common = places(ours, theirs, aligned)
            doubts = Doubts.of(ours, theirs)
            differences += curve_differences(common, ours.position, number, doubts)
            differences += gain_change_differences(ours, theirs, number, doubts)
            differences += clean_level_differences(ours, theirs, number, doubts)
    return Comparison(sources, differences, [], [], aligned=aligned)


def common_takes(first: Results, other: Results) -> list[tuple[Take, Take]]:
    """Return the ladders at positions that both have, in the first's order."""
    positions = dict.fromkeys(take.position for take in first.takes)
    pairs = [
        (first_take(first.takes, p, kind="ladder"), first_take(other.takes, p, kind="ladder"))
        for p in positions
    ]
    return [(ours, theirs) for ours, theirs in pairs if ours is not None and theirs is not None]


def _sources(results: Sequence[Results], names: Sequence[str] | None) -> list[Source]:
    """Return the sources with a name each; the same name twice is numbered."""
    given = [str(one.device.name or "") for one in results] if names is None else list(names)
    if len(given) != len(results):
        raise ValueError(f"{len(given)} names for {len(results)} results")
    given = [name.strip() or f"source {number}" for number, name in enumerate(given, start=1)]
    unique = [
        name if given.count(name) == 1 else f"{name} ({given[: at + 1].count(name)})"
        for at, name in enumerate(given)
    ]
    return [
        Source(
            name,
            device=one.device.name,
            date=one.conditions.date,
            version=one.provenance.version if one.provenance else None,
            created=one.provenance.created if one.provenance else None,
        )
        for name, one in zip(unique, results, strict=True)
    ]
