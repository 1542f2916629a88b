"""Results held against the first of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.comparison import sentences
from distsweep.comparison.aligned import places
from distsweep.comparison.beyond_doubt import limit_deviations
from distsweep.comparison.conditions import hold_conditions
from distsweep.comparison.differences import (
    Doubts,
    clean_level_differences,
    curve_differences,
    gain_change_differences,
)
from distsweep.comparison.findings import (
    Pair,
    findings_of,
    not_named,
    pair_of,
    resonance_finding,
    tests_of,
)
from distsweep.comparison.level_doubt import (
    is_repeated,
    level_doubt_db,
    level_shift_db,
    with_levels,
)
from distsweep.comparison.placed import PlaceDoubt, of_one_placement, reproducibility_at
from distsweep.comparison.positions import common_ladders
from distsweep.comparison.record import (
    BAND,
    DRIVE,
    EACH_FREQUENCY,
    Comparison,
    Difference,
    Finding,
    ResonanceChange,
    Source,
    numbered,
)
from distsweep.comparison.resonances import CHANGED, resonance_changes
from distsweep.comparison.unseen import unseen_of
from distsweep.results import AXIS, Results
from distsweep.results.thd import RELIABLE_HALF_WIDTH_DB

BESIDE = 2.0 ** (1.0 / 12.0)
"""A resonance is as large as what differs within a twelfth of an octave of it (chosen)."""


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
    _check(results, aligned)
    sources = _sources(results, names)
    held = hold_conditions(results, [source.name for source in sources], aligned=aligned)
    sides = [
        _Side.of(results[0], other, number, aligned)
        for number, other in enumerate(results[1:], start=1)
    ]
    tests = tests_of([pair for side in sides for pair in side.pairs], results)
    limit = limit_deviations(tests)
    resonances = [
        resonance_changes(results[0], other, source=number, beyond=limit)
        for number, other in enumerate(results[1:], start=1)
    ]
    stated = [
        side.statements(changes, limit, sources[side.source].name)
        for side, changes in zip(sides, resonances, strict=True)
    ]
    findings = [finding for found, _ in stated for finding in found]
    differences = [difference for side in sides for difference in side.differences]
    return Comparison(
        sources,
        differences,
        sorted(findings, key=lambda one: -_size_db(one, differences)),
        [*held.not_compared, *(text for side in sides for text in side.apart)],
        aligned=aligned,
        resonances=[change for changes in resonances for change in changes],
        conditions=held.conditions,
        unseen=[text for _, unseen in stated for text in unseen],
        tests=tests,
        deviations=limit,
    )


def _check(results: Sequence[Results], aligned: str) -> None:
    """Refuse what a comparison cannot be made of."""
    if strays := [type(one).__name__ for one in results if not isinstance(one, Results)]:
        raise TypeError(f"give results, each by itself, not a {strays[0]}: read_results reads them")
    if len(results) < 2:
        raise ValueError("give two results or more: the first is what the others are held against")
    if aligned not in (DRIVE, BAND, EACH_FREQUENCY):
        raise ValueError(
            f"aligned {aligned!r:.40}: must be {DRIVE!r}, {BAND!r} or {EACH_FREQUENCY!r}"
        )


def _of_source(one: Finding, name: str) -> Finding:
    """Return a finding whose sentence names the source in front."""
    sentence = one.sentence
    if one.quantity == "resonance":
        sentence = f"{sentence[:1].lower()}{sentence[1:]}"
    called = _called(name, one.position)
    return replace(one, sentence=f"{called}: {sentence.removesuffix('.')}.")


def _called(name: str, position: str | None) -> str:
    """Return a source's name, with the position where that is not the axis."""
    return name if position in (None, AXIS) else f"{name} at “{position}”"


@dataclass(frozen=True)
class _Side:
    """One source held against the first: what differs, and what statements may rest on."""

    source: int
    pairs: list[Pair]
    differences: list[Difference]
    apart: list[str]

    @classmethod
    def of(cls, first: Results, other: Results, source: int, aligned: str) -> _Side:
        pairs, differences, apart = [], [], []
        for placed, as_measured in common_ladders(first, other):
            position = placed.position
            # Before anything is held against it: the levels that the first's distance would have.
            moved = with_levels(as_measured, level_shift_db(first, other, position))
            ours = of_one_placement(placed, reproducibility_at(first, position))
            theirs = of_one_placement(moved, reproducibility_at(other, position))
            doubts = Doubts.of(
                ours, theirs, level_doubt_db(first, other, position),
                repeated=is_repeated(first, other, position),
                place=PlaceDoubt.between(first, other, position),
            )  # fmt: skip
            common = places(ours, theirs, aligned)
            differences += curve_differences(common, position, source, doubts)
            differences += gain_change_differences(ours, theirs, source, doubts)
            differences += clean_level_differences(ours, theirs, source, doubts)
            if not common:
                apart.append(sentences.nothing_common(position, at_drive=aligned == DRIVE))
            pair = pair_of(ours, theirs, doubts, aligned)
            if pair is not None:
                pairs.append(pair)
                if pair.lacks_quiet_rungs:
                    apart.append(sentences.no_quiet_rung(position))
        return cls(source, pairs, differences, apart)

    def statements(
        self, changes: Sequence[ResonanceChange], limit: float, name: str
    ) -> tuple[list[Finding], list[str]]:
        """Return findings that name the source, and sentences on what does not differ."""
        found = self._findings(changes, limit)
        unseen: list[str] = []
        if self.pairs:
            leading = self.pairs[0]
            unseen = unseen_of(leading, found, _called(name, leading.first.position), limit)
        return [_of_source(one, name) for one in found], unseen

    def _findings(self, changes: Sequence[ResonanceChange], limit: float) -> list[Finding]:
        """Return what differs beyond doubt, what several positions show once."""
        changed = [one for one in changes if one.state in CHANGED]
        found = [resonance_finding(one) for one in changed]
        for number, pair in enumerate(self.pairs):
            own = findings_of(pair, changed, limit, leading=number == 0)
            found += not_named(own, found)
        return [replace(one, source=self.source) for one in found]


def _size_db(finding: Finding, differences: Sequence[Difference]) -> float:
    """Return how much differs; of a resonance the most that a known curve beside it differs by."""
    if finding.difference_db is not None:
        return abs(finding.difference_db)
    if finding.low_hz is None or finding.high_hz is None:
        return 0.0
    most = 0.0
    for one in differences:
        if one.source != finding.source or one.quantity.startswith("clean"):
            continue
        f = one.frequency_hz
        with np.errstate(invalid="ignore"):
            known = one.high_db - one.low_db <= 2.0 * RELIABLE_HALF_WIDTH_DB
        known &= (f >= finding.low_hz / BESIDE) & (f <= finding.high_hz * BESIDE)
        most = max(most, float(np.max(np.abs(one.difference_db[known]), initial=0.0)))
    return most


def _sources(results: Sequence[Results], names: Sequence[str] | None) -> list[Source]:
    """Return the sources with a name each; the same name twice is numbered."""
    given = [str(one.device.name or "") for one in results] if names is None else list(names)
    if len(given) != len(results):
        raise ValueError(f"{len(given)} names for {len(results)} results")
    given = [name.strip() or f"source {number}" for number, name in enumerate(given, start=1)]
    return [Source.of(name, one) for name, one in zip(numbered(given), results, strict=True)]
