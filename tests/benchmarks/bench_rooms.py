"""How well resonances are found in rooms, by a simulator that shares no form with the search.

    python tests/benchmarks/bench_rooms.py FOLDER [--first N] [--count N] [--details]
    python tests/benchmarks/bench_rooms.py --seed N [--count 20] [--no-modes]

The first reads records that `cache_rooms.py` wrote, the second draws its own (6 s each, about).
For one microphone at 1 m ("axis"), one with near fields of woofer and port ("near"), and three in
the room ("three") it prints what the search finds, what it calls that is not there, and whether its
confidence is right; of cached records the same for the search that the cache was made with.
`unlike_score.py` says what counts.
"""

from __future__ import annotations

import argparse
import pickle
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from cache_rooms import SETS, called
from unlike_measured import Stand
from unlike_score import RoomScore


def _records(given: argparse.Namespace) -> Iterator[dict[str, Any]]:
    if given.folder is not None:
        for path in sorted(given.folder.glob("*.pickle")):
            if given.first <= int(path.stem) < given.first + given.count:
                yield pickle.loads(path.read_bytes())
        return
    stand = Stand(Path(tempfile.mkdtemp()) / "stand")
    for seed in range(given.seed, given.seed + given.count):
        yield stand.measured(seed, resonant=not given.no_modes)


def main() -> None:
    """Print the tables at the end, and every missed and false one with ``--details``."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=None)
    parser.add_argument("--seed", type=int, default=None)
    parser.add_argument("--sets", nargs="*", default=list(SETS), choices=list(SETS))
    parser.add_argument("--no-modes", action="store_true")
    parser.add_argument("--old-only", action="store_true", help="what the cache says alone")
    parser.add_argument("--details", action="store_true")
    given = parser.parse_args()
    if (given.folder is None) == (given.seed is None):
        parser.error("give either a folder or --seed")
    if given.count is None:
        given.count = 20 if given.folder is None else 10**9
    new = {name: RoomScore() for name in given.sets}
    old = {name: RoomScore() for name in given.sets}
    for record in _records(given):
        seed, truth, standing = record["seed"], record["truth"], record["standing"]
        for name in given.sets:
            if "old" in record:
                old[name].add(seed, truth, standing, record["old"][name])
            if not given.old_only:
                started = time.process_time()
                calls = called(record, SETS[name])
                new[name].cpu_s += time.process_time() - started
                new[name].takes += len(SETS[name])
                new[name].add(seed, truth, standing, calls)
    for title, scores in (("the search of the cache", old), ("this search", new)):
        for name, score in scores.items():
            if score.draws:
                print(f"{title}, {name}, {score.draws} draws")
                print(score.text(details=given.details), flush=True)


if __name__ == "__main__":
    main()
