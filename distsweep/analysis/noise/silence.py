"""What disturbs a silence: a knock in it would raise the floor of everything that is recorded."""

from __future__ import annotations

import numpy as np

from distsweep.analysis.cut import CutLadder
from distsweep.analysis.noise.background import NoiseSpectrum
from distsweep.results import Damage
from distsweep.units import FloatArray

BLOCK_S = 0.002
"""Length of the blocks whose power tells when something happened (chosen: shorter than a click with
the ringing of a converter's filter)."""

DOWN_TO = 0.1
"""It lasts while its power is at least such a share of its largest (chosen: 10 dB)."""

CLICK_S, KNOCK_S = 0.006, 0.4
"""Longest click, and longest knock (chosen: three blocks; speech and traffic go on longer)."""


def silence_damage(noise: NoiseSpectrum | None, cut: CutLadder, *, rate_hz: float) -> list[Damage]:
    """Return what was left out of the silences as unlike the rest of them."""
    if noise is None:
        return []
    damage = []
    for number, first, last in noise.left_out:
        start_s, end_s = _strongest(cut.quiet[number][first:last], rate_hz)
        lasts_s = end_s - start_s
        kind = "click" if lasts_s <= CLICK_S else "knock" if lasts_s <= KNOCK_S else "noise"
        place = cut.quiet_starts[number] if cut.quiet_starts else 0
        begins_s = (place + first) / rate_hz
        name = cut.recordings[number] if cut.recordings else ""
        damage.append(Damage(kind, begins_s + start_s, begins_s + end_s, recording=name))
    return damage


def _strongest(part: FloatArray, rate_hz: float) -> tuple[float, float]:
    """Return from when until when most of the power of a stretch arrives, in seconds."""
    block = max(1, round(BLOCK_S * rate_hz))
    blocks = part[: len(part) // block * block].reshape(-1, block)
    power = np.mean(blocks**2, axis=1)
    power = np.maximum(power - np.median(power), 0.0)
    strong = np.flatnonzero(power >= DOWN_TO * np.max(power))
    return float(strong[0]) * block / rate_hz, float(strong[-1] + 1) * block / rate_hz
