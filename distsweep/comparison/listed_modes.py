"""Modes that the searches of two results list, those of both paired."""

from __future__ import annotations

import math
from dataclasses import dataclass

from distsweep.comparison.mode_change import MOST_SHIFT, ModeChange
from distsweep.comparison.mode_temperature import follows_air
from distsweep.results import AXIS, Resonance, Results, Take, first_take

Q_NOT_KNOWN = 20.0
"""Of a mode whose Q was not found (chosen: the middle of 8 to 60, in ratios)."""


@dataclass(frozen=True)
class ListedMode:
    """A mode of one results, of the other, or of both; not None of both at once."""

    first: Resonance | None
    other: Resonance | None

    @property
    def clearer(self) -> Resonance:
        """The one that its search is surer of."""
        sides = [side for side in (self.first, self.other) if side is not None]
        return max(sides, key=lambda side: side.confidence)

    @property
    def kind(self) -> str:
        """Either "radiated" or "excited"."""
        return self.clearer.kind

    @property
    def one_sided(self) -> bool:
        """Whether one side's search alone lists it."""
        return self.first is None or self.other is None

    @property
    def near_hz(self) -> float:
        """Frequency half-way between both sides."""
        sides = [side.frequency_hz for side in (self.first, self.other) if side is not None]
        return math.exp(sum(map(math.log, sides)) / len(sides))

    @property
    def q(self) -> float:
        """Q, half-way between both sides."""
        sides = [side.q for side in (self.first, self.other) if side is not None and side.q]
        return math.exp(sum(map(math.log, sides)) / len(sides)) if sides else Q_NOT_KNOWN

    @property
    def listed_shift(self) -> float:
        """ln of the other's frequency over the first's; 0 where one side alone lists it."""
        if self.first is None or self.other is None:
            return 0.0
        return math.log(self.other.frequency_hz / self.first.frequency_hz)

    @property
    def follows_air(self) -> bool:
        """Whether it may be the cabinet's or the port's air."""
        return any(follows_air(side) for side in (self.first, self.other) if side is not None)

    def gone_if_weaker(self, imbalance: float) -> bool:
        """Tell whether only the stronger side lists it: the first for a positive imbalance."""
        return (self.other if imbalance > 0.0 else self.first) is None

    def takes(self, first: Results, other: Results) -> tuple[Take, Take] | None:
        """Return the ladders to compare: where it shows strongest, if both were measured there."""
        strongest = [p.position for p in self.clearer.positions if p.state == "strongest"]
        common = [take.position for take in first.takes if take.kind == "ladder"]
        for position in (*strongest, AXIS, *common):
            takes = [first_take(one.takes, position, kind="ladder") for one in (first, other)]
            if takes[0] is not None and takes[1] is not None:
                return takes[0], takes[1]
        return None

    def frequencies(
        self, change: ModeChange | None, state: str, shift: float
    ) -> tuple[float | None, float | None]:
        """Return both sides' frequencies: as listed, or from the other's and the shift."""
        first = None if self.first is None else self.first.frequency_hz
        other = None if self.other is None else self.other.frequency_hz
        if state in ("gone", "new", "cannot tell") or change is None:
            return first, other
        ratio = math.exp(shift)
        if first is None and other is not None:
            first = other / ratio
        elif first is not None and (other is None or state == "moved"):
            other = first * ratio
        return first, other


def listed_modes(first: Results, other: Results) -> list[ListedMode]:
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
        ListedMode(one, other.resonances[pairs[i]] if i in pairs else None)
        for i, one in enumerate(first.resonances)
    ]
    lone = [two for j, two in enumerate(other.resonances) if j not in pairs.values()]
    return modes + [ListedMode(None, two) for two in lone]
