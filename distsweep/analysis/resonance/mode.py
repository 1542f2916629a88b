"""A mode that a search found, and what every take and order contributes to that."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Kind = Literal["radiated", "excited"]

LOWEST_Q, HIGHEST_Q = 5.0, 100.0
"""Bounds of every fitted Q (chosen: lower is no narrow peak; higher is not resolved by windows of
90 periods)."""

LEAST_Q = 1.4 * LOWEST_Q
"""A mode of a lower Q is a crossover's or an equaliser's (chosen: 7; the narrow modes of cabinets
and ports that are to be found have 8 and more)."""


LOWEST_HZ, HIGHEST_HZ = 200.0, 3500.0
"""Radiated modes are looked for between these, excited ones up to the second (chosen: half a
wavelength below is longer than any side of a small loudspeaker, and what is there is its tuning or
one of a room's lone modes; above are modes of domes)."""

SHOWN_LOG_RATIO = math.log(20.0)
"""Curves show a mode that they are 20 times likelier with, and miss it where they are 20 times
likelier without (chosen: the odds of what statistics calls significant)."""


@dataclass(frozen=True)
class Contribution:
    """What one curve says of a mode.

    Attributes
    ----------
    position : of the take.
    order : of the harmonic; 1 for the linear response.
    log_ratio : natural logarithm of how many times likelier the curve is with the mode than
        without it; negative where the curve speaks against it.
    """

    position: str
    order: int
    log_ratio: float


def by_order(contributions: Iterable[Contribution]) -> dict[int, float]:
    """Return what the curves of each order say together, the takes' log ratios added up."""
    said: dict[int, float] = {}
    for one in contributions:
        said[one.order] = said.get(one.order, 0.0) + one.log_ratio
    return said


@dataclass(frozen=True)
class FoundMode:
    """A mode of the loudspeaker, as the takes of a session show it.

    Attributes
    ----------
    kind : "radiated" (a pole of the linear response) or "excited" (set off where it is played).
    frequency_hz, q : shared by all takes and orders.
    log_ratio : against no mode, all curves together.
    other_log_ratio : of the best explanation of another kind at the same place, against none.
    contributions : of every curve that could show it.
    in_response : radiated: the linear response shows it; False where only the products keep it, as
        an equaliser may take a mode off the response.
    direct : radiated: the direct sound dominates at one take that shows it at least, or takes at
        several positions agree; where it is False, a room could make the same.
    """

    kind: Kind
    frequency_hz: float
    q: float
    log_ratio: float
    other_log_ratio: float
    contributions: tuple[Contribution, ...]
    in_response: bool = True
    direct: bool = True

    @property
    def strength(self) -> float:
        """How much likelier the curves are with the mode than with anything else, as logarithm."""
        return self.log_ratio - max(self.other_log_ratio, 0.0)

    @property
    def takes(self) -> int:
        """At how many positions it was looked for."""
        return len({one.position for one in self.contributions})
