"""The part of an impulse response that is recorded and shown."""

from __future__ import annotations

import numpy as np

from distsweep import results
from distsweep.analysis.sweep.harmonics import ImpulseResponse

BEFORE_S, AFTER_S = 0.003, 0.02
"""How much is kept around the direct sound (chosen: before it shows noise and what the band's end
rings; after it a bass driver of 50 Hz goes once round, and rooms' first reflections arrive)."""

MOST_SAMPLES = 4500
"""No more is kept (chosen: 23 ms at 192 kHz, some 45 kB of results)."""


def shown_impulse(
    impulse: ImpulseResponse | None, *, drive_dbfs: float
) -> results.ImpulseResponse | None:
    """Cut the part to be shown out, without a fade, re its largest magnitude.

    None where there is no impulse response, or nothing but zeros in it.

    Parameters
    ----------
    impulse : as measured.
    drive_dbfs : of the rung that it was taken from.
    """
    if impulse is None:
        return None
    before = min(int(BEFORE_S * impulse.rate_hz), impulse.origin)
    kept = impulse.samples[impulse.origin - before :]
    kept = kept[: min(before + 1 + int(AFTER_S * impulse.rate_hz), MOST_SAMPLES)]
    largest = float(np.max(np.abs(kept), initial=0.0))
    if not (np.isfinite(largest) and largest > 0.0):
        return None
    return results.ImpulseResponse(
        drive_dbfs=drive_dbfs,
        rate_hz=impulse.rate_hz,
        samples_before=before,
        pressure=kept / largest,
        window_s=(before / impulse.rate_hz, (len(kept) - 1 - before) / impulse.rate_hz),
    )
