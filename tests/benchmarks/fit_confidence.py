"""Fit the confidence's two numbers a kind to loudspeakers that no rule of the search was shaped by.

    python tests/benchmarks/fit_confidence.py FOLDER … [--first N] [--count N]

A FOLDER holds records that `cache_rooms.py` wrote; the seeds used here must not be those that a
score is quoted for. Prints ``WEIGHTS`` of `distsweep/analysis/resonance/confidence.py`. Logistic
regression by Newton's method, over every mode that the searches return, however unlikely, but for
images and doubles of surer ones (by the present weights, so that a second run may move them yet),
and for those that something else explains as well: their margin, 0, says nothing more.
"""

from __future__ import annotations

import argparse
import pickle
import sys
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from cache_rooms import SETS
from unlike_score import poles_of

from distsweep.analysis.resonance.confidence import kind_of, margin
from distsweep.analysis.resonance.curves import SearchedTake
from distsweep.analysis.resonance.find import found_modes
from distsweep.analysis.resonance.listing import ranked
from distsweep.analysis.resonance.mode import FoundMode


def rows(record: dict[str, Any], positions: tuple[str, ...]) -> list[tuple[str, float, bool, bool]]:
    """Return kind, margin, whether the direct sound shows it, and whether it is real, of each."""
    takes = [SearchedTake(**t) for t in record["takes"] if t["position"] in positions]
    if len(takes) < len(positions):
        return []
    return [
        (kind_of(mode), margin(mode), mode.direct, _is_real(mode, record))
        for mode in (one.mode for one in ranked(found_modes(takes)))
    ]


def _is_real(mode: FoundMode, record: dict[str, Any]) -> bool:
    call = {"frequency_hz": mode.frequency_hz, "kind": mode.kind}
    return bool(poles_of(call, record["truth"]))


def logistic(values: np.ndarray, real: np.ndarray) -> np.ndarray:
    """Return constant and weight."""
    columns = np.stack([np.ones(len(values)), values], axis=1)
    weights = np.zeros(2)
    for _ in range(100):
        chance = 1.0 / (1.0 + np.exp(-columns @ weights))
        bend = columns.T @ (columns * (chance * (1.0 - chance))[:, None]) + 1e-3 * np.eye(2)
        weights += np.linalg.solve(bend, columns.T @ (real - chance) - 1e-3 * weights)
    return weights


def main() -> None:
    """Fit each kind and print its numbers, with how many modes and real ones there were."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=10**9)
    given = parser.parse_args()
    found = [
        row
        for folder in given.folders
        for path in sorted(folder.glob("*.pickle"))
        if given.first <= int(path.stem) < given.first + given.count
        for positions in SETS.values()
        for row in rows(pickle.loads(path.read_bytes()), positions)
    ]
    for kind in sorted({row[0] for row in found}):
        own = [(r[1], r[3]) for r in found if r[0] == kind and r[2] and r[1] > 0.0]
        values, real = np.array(own).T
        weights = tuple(round(float(w), 2) for w in logistic(values, real))
        print(f'"{kind}": {weights},  # {len(real)} modes, {int(np.sum(real))} real')


if __name__ == "__main__":
    main()
