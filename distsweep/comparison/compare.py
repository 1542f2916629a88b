"""Results held against the first of them."""

from __future__ import annotations

from collections.abc import Sequence

from distsweep.comparison.record import DRIVE, Comparison
from distsweep.results import Results


def compare(
    *results: Results, aligned: str = DRIVE, names: Sequence[str] | None = None
) -> Comparison:
    """Hold results against the first of them.

    Parameters
    ----------
    aligned : what is equal on both sides: "drive", "band" (the SPL over the level band) or
        "each frequency" (the SPL at each frequency).
    names : of the sources; None: their devices' names.

    Raises
    ------
    ValueError
        Fewer than two results are given, or ``aligned`` is none of these.
    InputError
        Nothing can be compared: no position is common, or levels have no common unit.
    """
    raise NotImplementedError
