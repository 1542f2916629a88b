"""Modes to be held against each other: those that the searches of two results list, paired."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from distsweep.comparison.mode_change import MOST_SHIFT, ModeChange
from distsweep.comparison.mode_temperature import follows_air
from distsweep.results import AXIS, Resonance, Results, Take, first_take

Q_NOT_KNOWN = 20.0
"""Of a mode whose Q was not found (chosen: the middle of 8 to 60, in ratios)."""


@dataclass(frozen=True)
class Mode:
    """A mode that may show on both sides.

    Attributes
    ----------
    kind : "radiated" or "excited".
    near_hz, q : half-way between both sides.
    first, other : as the sides' searches list it; None where one does not.
    """

    kind: str
    near_hz: float
    q: float
    first: Resonance | None = None
    other: Resonance | None = None

    @classmethod
    def listed(cls, first: Resonance | None, other: Resonance | None) -> Mode:
        """Return a mode that one side lists, or both do."""
        sides = [side for side in (first, other) if side is not None]
        qs = [side.q for side in sides if side.q]
        near_hz = _middle([side.frequency_hz for side in sides])
        return cls(sides[0].kind, near_hz, _middle(qs) if qs else Q_NOT_KNOWN, first, other)

    @property
    def sides(self) -> list[Resonance]:
        """What is listed of it."""
        return [side for side in (self.first, self.other) if side is not None]

    @property
    def listed_shift(self) -> float | None:
        """ln of the other's frequency over the first's; None unless both list it."""
        if self.first is None or self.other is None:
            return None
        return math.log(self.other.frequency_hz / self.first.frequency_hz)

    @property
    def follows_air(self) -> bool:
        """Whether it may be the cabinet's or the port's air."""
        return any(follows_air(side) for side in self.sides)

    def gone_if_weaker(self, imbalance: float) -> bool:
        """Tell whether the stronger side alone lists it: the first for a positive imbalance."""
        return bool(self.sides) and (self.other if imbalance > 0.0 else self.first) is None

    def takes(self, first: Results, other: Results) -> tuple[Take, Take] | None:
        """Return the ladders to compare: where it shows strongest, if both were measured there."""
        surest = sorted(self.sides, key=lambda side: -side.confidence)
        strongest = [p.position for s in surest for p in s.positions if p.state == "strongest"]
        return leading_takes(first, other, strongest)

    def frequencies(
        self, change: ModeChange | None, state: str, shift: float
    ) -> tuple[float | None, float | None]:
        """Return both sides' frequencies: as listed, or from the other's and the shift."""
        first = None if self.first is None else self.first.frequency_hz
        other = None if self.other is None else self.other.frequency_hz
        if state in ("gone", "new", "cannot tell") or change is None:
            return first, other
        ratio = math.exp(shift)
        if first is None and other is None:
            first = change.frequency_hz / math.sqrt(ratio)
        if first is None and other is not None:
            first = other / ratio
        elif first is not None and (other is None or state == "moved"):
            other = first * ratio
        return first, other


def leading_takes(
    first: Results, other: Results, preferred: Sequence[str] = ()
) -> tuple[Take, Take] | None:
    """Return both sides' ladders at one position: a preferred one, the axis, or any."""
    common = [take.position for take in first.takes if take.kind == "ladder"]
    for position in (*preferred, AXIS, *common):
        one, two = (first_take(side.takes, position, kind="ladder") for side in (first, other))
        if one is not None and two is not None:
            return one, two
    return None


def _middle(values: list[float]) -> float:
    return math.exp(sum(map(math.log, values)) / len(values))


def listed_modes(first: Results, other: Results) -> list[Mode]:
    """Pair the resonances of two results, of one kind and near each other, the nearest first."""
    distances = sorted(
        (abs(math.log(two.frequency_hz / one.frequency_hz)), i, j)
        for i, one in enumerate(first.resonances)
        for j, two in enumerate(other.resonances)
        if one.kind == two.kind
    )
    pairs: dict[int, int] = {}
    for distance, i, j in distances:
        if distance <= MOST_SHIFT and i not in pairs and j not in pairs.values():
            pairs[i] = j
    modes = [
        Mode.listed(one, other.resonances[pairs[i]] if i in pairs else None)
        for i, one in enumerate(first.resonances)
    ]
    lone = [two for j, two in enumerate(other.resonances) if j not in pairs.values()]
    return modes + [Mode.listed(None, two) for two in lone]
