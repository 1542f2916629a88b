"""Blocks of exact zeros in the middle of sound: a driver, a cable or an editor muted them."""

from __future__ import annotations

import numpy as np

from distsweep.units import FloatArray

MUTED_S = 0.0015
"""Least length of a muted block (chosen: a tone of 20 Hz of ten steps' amplitude stays within half
a step for 2·asin(1/20)/(2π·20) = 0.8 ms at its zeros)."""

BESIDE_S = 0.01
"""Stretch on either side in which there must be sound (chosen: half a period at 50 Hz)."""

SOUND_STEPS, SOUND_PEAK = 20.0, 1e-5
"""Peak of what counts as sound there: in steps of the encoding, at least twice those of the tone of
MUTED_S; and where it has no steps, −100 dBFS (chosen)."""


def muted_blocks(samples: FloatArray, *, rate_hz: int, step: float) -> list[tuple[int, int]]:
    """Return the muted blocks: first sample of each, and the one after its last.

    Parameters
    ----------
    samples : shape ``(samples,)``, full scale 1; sound is looked for within them.
    step : smallest step of the encoding; 0 where it has none.
    """
    zero = np.concatenate([[False], samples == 0.0, [False]])
    edges = np.flatnonzero(zero[1:] != zero[:-1])
    starts, ends = edges[::2], edges[1::2]
    long = ends - starts >= MUTED_S * rate_hz
    beside = round(BESIDE_S * rate_hz)
    least = max(SOUND_STEPS * step, SOUND_PEAK)
    return [
        (int(start), int(end))
        for start, end in zip(starts[long], ends[long], strict=True)
        if np.max(np.abs(samples[max(0, start - beside) : start]), initial=0.0) >= least
        and np.max(np.abs(samples[end : end + beside]), initial=0.0) >= least
    ]
