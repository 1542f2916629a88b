"""A mode that a search found, and what every take and order contributes to that."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["radiated", "excited"]

LOWEST_Q, HIGHEST_Q = 5.0, 100.0
"""Bounds of every fitted Q (chosen: lower is no narrow peak; higher is not resolved by windows of
90 periods)."""


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
