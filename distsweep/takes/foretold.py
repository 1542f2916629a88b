"""How far each sample lies from what the samples before it foretell."""

from __future__ import annotations

import numpy as np

from distsweep.units import FloatArray

PREDICTED_FROM = 32
"""Samples that foretell the next one (chosen: the fundamental, harmonics, and room modes)."""


def unforetold(samples: FloatArray) -> FloatArray:
    """Return each sample minus what those before it foretell, but for the first PREDICTED_FROM.

    One linear combination, the best for all of the stretch, foretells them; sines that last are
    foretold exactly, noise and steps are not.
    """
    rows = np.lib.stride_tricks.sliding_window_view(samples, PREDICTED_FROM)[:-1]
    wanted = samples[PREDICTED_FROM:]
    normal = rows.T @ rows
    normal[np.diag_indices(PREDICTED_FROM)] += 1e-12 * np.trace(normal) + 1e-300
    return np.asarray(wanted - rows @ np.linalg.solve(normal, rows.T @ wanted))
