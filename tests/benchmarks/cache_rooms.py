"""Caches draws of unlike loudspeakers in unlike rooms, or of the rehearsal's, a file a seed.

    python tests/benchmarks/cache_rooms.py FIRST COUNT FOLDER [--no-modes | --rehearsal]

Seeds whose file exists are skipped, and those that another process is at, whose file's name ends
in "part": after a run that was ended early, remove that. A record (pickled) holds what
`Stand.measured` returns, and ``old``: what the search of the package on the path calls from three
sets of takes (`SETS`). To keep an earlier search's calls, run this with that package on the path.
"""

from __future__ import annotations

import argparse
import pickle
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from resonance_population import Population
from unlike_measured import Stand

SETS = {
    "axis": ("axis",),
    "near": ("axis", "woofer", "port"),
    "three": ("axis", "axis@30", "axis@-25"),
}
"""Takes that a search is given: one microphone, near-field ones with it, three in the room."""


def called(record: dict[str, Any], positions: Sequence[str]) -> list[dict[str, Any]]:
    """Return what the search on the path calls from the takes at these positions."""
    from distsweep.analysis.resonance.find import Enclosure, SearchedTake, find_resonances
    from distsweep.conversion.resonances import resonance_records

    takes = [SearchedTake(**t) for t in record["takes"] if t["position"] in positions]
    found = resonance_records(
        find_resonances(takes, Enclosure(None, None, 20.0), hum=record["hum"])
    )
    return [
        {"frequency_hz": r.frequency_hz, "kind": r.kind, "confidence": r.confidence, "q": r.q}
        for r in found
    ]


def rehearsed(population: Population, seed: int) -> dict[str, Any]:
    """Return a record of one of the rehearsal's loudspeakers, which has one take, on the axis."""
    one = population.measured(seed)
    alone = {"family": "single", "hidden": False}
    modes = [vars(m) | alone | {"group": k} for k, m in enumerate(one.truth.resonances)]
    return {
        "seed": seed, "truth": modes, "standing": one.standing_db, "hum": [],
        "takes": [vars(one.searched)],
    }  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("first", type=int)
    parser.add_argument("count", type=int)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--no-modes", action="store_true")
    parser.add_argument("--rehearsal", action="store_true")
    given = parser.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    folder = Path(tempfile.mkdtemp())
    stand = None if given.rehearsal else Stand(folder / "stand")
    population = Population(folder / "benches") if given.rehearsal else None
    for seed in range(given.first, given.first + given.count):
        path = given.folder / f"{seed}.pickle"
        part = path.with_suffix(".part")
        if path.exists() or part.exists():
            continue
        part.touch(exist_ok=False)
        started = time.process_time()
        if population is not None:
            record = rehearsed(population, seed)
        else:
            assert stand is not None
            record = stand.measured(seed, resonant=not given.no_modes)
        made = time.process_time() - started
        there = {take["position"] for take in record["takes"]}
        sets = {name: positions for name, positions in SETS.items() if there >= set(positions)}
        record["old"] = {name: called(record, positions) for name, positions in sets.items()}
        whole = time.process_time() - started
        part.write_bytes(pickle.dumps(record))
        part.rename(path)
        print(f"{seed}: {made:.1f} s made, {whole - made:.1f} s searched", flush=True)


if __name__ == "__main__":
    main()
