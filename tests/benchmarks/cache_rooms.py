"""Caches draws of unlike loudspeakers in unlike rooms, a file a seed.

    python tests/benchmarks/cache_rooms.py FIRST COUNT FOLDER [--no-modes]

Seeds whose file exists are skipped. A record (pickled) holds `Stand.measured`'s, and ``old``: what
the search of the package on the path calls from three sets of takes (see `SETS`).
"""

from __future__ import annotations

import argparse
import pickle
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from unlike_measured import Stand

SETS = {
    "axis": ("axis",),
    "near": ("axis", "woofer", "port"),
    "three": ("axis", "axis@30", "axis@-25"),
}
"""Takes that a search is given: one microphone, near-field ones with it, three in the room."""


def calls(record: dict[str, Any]) -> dict[str, list[dict[str, Any]]]:
    """Return what the search calls from every set."""
    from distsweep.analysis.resonance.find import Enclosure, SearchedTake, find_resonances

    found = {}
    for name, positions in SETS.items():
        takes = [SearchedTake(**t) for t in record["takes"] if t["position"] in positions]
        listed = find_resonances(takes, Enclosure(None, None, 20.0), hum=record["hum"]).resonances
        found[name] = [_call(one) for one in listed]
    return found


def _call(one: Any) -> dict[str, Any]:
    facts, evidence = one.facts, one.facts.evidence
    return {
        "frequency_hz": evidence.frequency_hz,
        "kind": evidence.candidate.kind,
        "confidence": facts.confidence,
        "q": None if evidence.mode is None else evidence.mode.q,
    }


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("first", type=int)
    parser.add_argument("count", type=int)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--no-modes", action="store_true")
    given = parser.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    stand = Stand(Path(tempfile.mkdtemp()) / "stand")
    for seed in range(given.first, given.first + given.count):
        path = given.folder / f"{seed}.pickle"
        if path.exists():
            continue
        started = time.process_time()
        record = stand.measured(seed, resonant=not given.no_modes)
        made = time.process_time() - started
        record["old"] = calls(record)
        whole = time.process_time() - started
        part = path.with_suffix(".part")
        part.write_bytes(pickle.dumps(record))
        part.rename(path)
        print(f"{seed}: {made:.1f} s made, {whole - made:.1f} s searched", flush=True)


if __name__ == "__main__":
    main()
