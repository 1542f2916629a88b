"""What a mode that changed does to the curves that other modes are judged by."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.comparison.mode_change import ModeChange
from distsweep.comparison.mode_curves import TwoCurves
from distsweep.comparison.mode_levels import DB_PER_NEPER_OF_POWER
from distsweep.units import FloatArray

MOST_SPILL_DB = 30.0
"""Points beside a changed mode count for nothing (chosen: as good as nothing)."""

SPILL_FACTOR = 2.0
"""A changed mode's effect on others' curves is taken for a deviation of so many times its size
(chosen: neighbouring points err in step)."""


@dataclass(frozen=True)
class MovedMode:
    """A mode that changed: its frequencies on both sides (None: it is not there)."""

    kind: str
    first_hz: float | None
    other_hz: float | None
    q: float
    share: float

    @classmethod
    def of(cls, kind: str, change: ModeChange, state: str) -> MovedMode:
        """Return it as the curves show it."""
        half = 0.5 * change.shift if state == "moved" else 0.0
        first_hz, other_hz = (change.frequency_hz * math.exp(s * half) for s in (-1.0, 1.0))
        return cls(
            kind,
            None if state == "new" else first_hz,
            None if state == "gone" else other_hz,
            change.q,
            change.share,
        )

    def effect_db(self, frequency_hz: FloatArray) -> FloatArray:
        """Return how much its change may change levels at frequencies on its own axis."""

        def motion(centre_hz: float | None) -> np.ndarray:
            if centre_hz is None:
                return np.zeros(len(frequency_hz), dtype=complex)
            ratio = frequency_hz / centre_hz
            return np.asarray(1.0 / (1.0 + 1j * self.q * (ratio - 1.0 / ratio)))

        both = np.abs(motion(self.other_hz) - motion(self.first_hz))
        return np.asarray(2.0 * DB_PER_NEPER_OF_POWER * self.share * both)


def with_spill(
    curves: Sequence[TwoCurves], kind: str, changed: Sequence[MovedMode]
) -> list[TwoCurves]:
    """Return curves whose deviations hold what modes that changed do to them.

    What a mode radiates is changed where it is heard, what it sets off where it is played.
    """
    wider = []
    for curve in curves:
        heard_hz = curve.frequency_hz * (1.0 if kind == "radiated" else curve.order)
        played_hz = curve.frequency_hz / (curve.order if kind == "radiated" else 1.0)
        spill = np.zeros(len(heard_hz))
        for mode in changed:
            if mode.kind == "radiated":
                spill = np.hypot(spill, mode.effect_db(heard_hz))
            elif curve.order > 1:
                spill = np.hypot(spill, mode.effect_db(played_hz))
        more = np.minimum(SPILL_FACTOR * spill, MOST_SPILL_DB)
        wider.append(replace(curve, other_sigma_db=np.hypot(curve.other_sigma_db, more)))
    return wider
