"""Stretches of flags that are set."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def runs_of(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return the first index of each run of True, and the one after its last; shape ``(N,)``."""
    edges = np.flatnonzero(np.diff(np.pad(np.asarray(flags, dtype=np.int8), 1)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
