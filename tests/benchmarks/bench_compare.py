"""What `compare` says of loudspeakers that are alike, and of those that differ by one known change.

    python tests/benchmarks/bench_compare.py SEED [--count 20] [--simulator "closed form"]
        [--kinds alike,mode,h2,threshold,sensitivity] [--keep FOLDER] [--at-equal drive]

Pairs are those of `pair_draws.py`. Alike ones should have no finding. Of a change it is counted
whether it is found (the right quantity, at the right place, by the right amount or sign) and
whether anything else is named. Where the tweeter's H2 rises, H2 about the crossover changes too, by
the sum of both drivers' products: that is no other change. ``--keep`` keeps each pair's results,
and reads those that are there.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from pair_draws import CHANGES, SIMULATORS, pair, results_of, stimulus_bench

from distsweep.comparison.compare import compare
from distsweep.comparison.record import Comparison, Finding, ResonanceChange
from distsweep.results import Results, read_results, write_results

SAME_MODE, SENSITIVITY_WITHIN_DB = 0.03, 0.2
"""A mode is the one that moved within 3 %; a sensitivity's difference is right within 0.2 dB."""


def results(folder: Path, seed: int, simulator: str, kind: str) -> tuple[list[Results], Any]:
    """Return both sides' results, and the truth; made where they are not kept."""
    place = folder / simulator.replace(" ", "-") / str(seed)
    files = [place / f"{kind}-{side}.json" for side in (1, 2)]
    truth = place / f"{kind}.truth.json"
    if not all(path.exists() for path in (*files, truth)):
        place.mkdir(parents=True, exist_ok=True)
        bench = stimulus_bench(Path(tempfile.mkdtemp()))
        made = pair(seed, simulator, kind, bench.waveform)
        for side, heard in enumerate((made.first, made.second), start=1):
            noise = [seed, CHANGES.index(kind), side]
            write_results(results_of(bench, heard, made.noise_rms, noise), files[side - 1])
        truth.write_text(json.dumps(made.truth, default=float), encoding="utf-8")
    return [read_results(path) for path in files], json.loads(truth.read_text(encoding="utf-8"))


def _is_moved(change: ResonanceChange, truth: dict[str, Any]) -> bool:
    """Tell whether a change is that of the mode, in its direction, and its interval holds it."""
    true = 100.0 * (truth["moved_hz"] / truth["frequency_hz"] - 1.0)
    low, high, at_hz = change.low_percent, change.high_percent, change.frequency_hz
    if change.change_percent is None or low is None or high is None or at_hz is None:
        return False
    same = change.change_percent * true > 0.0 and change.kind == truth["kind"]
    return same and low <= true <= high and abs(at_hz / truth["frequency_hz"] - 1.0) <= SAME_MODE


def is_right(
    one: Finding, kind: str, truth: dict[str, Any], changes: Sequence[ResonanceChange]
) -> bool:
    """Tell whether a finding names the change that was made."""
    if kind == "mode":
        return one.quantity == "resonance" and any(
            change.sentence[1:] in one.sentence and _is_moved(change, truth) for change in changes
        )
    if kind == "h2":
        low, high = truth.get("low_hz", truth.get("from_hz")), truth.get("high_hz", 1e5)
        over = one.low_hz is not None and one.low_hz < high and (one.high_hz or 0.0) > low
        up = one.quantity in ("h2", "thd") and (one.difference_db or 0.0) > 0.0
        return over and up
    if kind == "threshold":
        return one.quantity == "gain change" and (one.difference_db or 0.0) < 0.0
    if kind == "sensitivity":
        away = (one.difference_db or 0.0) - truth["change_db"]
        return one.quantity == "sensitivity" and abs(away) <= SENSITIVITY_WITHIN_DB
    return False


def scored(found: Comparison, kind: str, truth: dict[str, Any]) -> tuple[bool, list[Finding]]:
    """Return whether the change was found, and the findings that name something else."""
    right = [one for one in found.findings if is_right(one, kind, truth, found.resonances)]
    others = [one for one in found.findings if one not in right]
    if "from_hz" in truth:
        crossover_hz = truth["from_hz"] / 1.5
        others = [
            one
            for one in others
            if one.quantity != "h2" or (one.high_hz or 0.0) < crossover_hz / 1.5
        ]
    return bool(right), others


def main() -> None:
    """Print a line a pair that is not right, and the counts by kind."""
    parser = argparse.ArgumentParser()
    parser.add_argument("seed", type=int)
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--simulator", choices=SIMULATORS, default=None)
    parser.add_argument("--kinds", default=",".join(CHANGES))
    parser.add_argument("--keep", type=Path, default=None)
    parser.add_argument("--at-equal", default="drive")
    parser.add_argument(
        "--kept-only", action="store_true", help="leave out pairs that are not kept"
    )
    given = parser.parse_args()
    folder = given.keep or Path(tempfile.mkdtemp())
    simulators = SIMULATORS if given.simulator is None else (given.simulator,)
    for kind in given.kinds.split(","):
        count: Counter[str] = Counter()
        most: list[float] = []
        for simulator in simulators:
            for seed in range(given.seed, given.seed + given.count):
                kept = folder / simulator.replace(" ", "-") / str(seed) / f"{kind}.truth.json"
                if given.kept_only and not kept.exists():
                    continue
                sides, truth = results(folder, seed, simulator, kind)
                comparison = compare(*sides, aligned=given.at_equal, names=["A", "B"])
                found, others = scored(comparison, kind, truth)
                count["pairs"] += 1
                count["found"] += found
                count["with something else"] += bool(others)
                most.append(max([one.deviations or 0.0 for one in others], default=0.0))
                if others or not (found or kind == "alike"):
                    print(
                        f"  {simulator} {seed} {kind}: {'found' if found else 'NOT FOUND'} {truth}"
                    )
                    for one in others:
                        print(
                            f"    {one.quantity} {one.deviations:.1f}: {one.sentence}", flush=True
                        )
        print(f"{kind}: {dict(count)}, most deviations {np.max(most, initial=0.0):.1f}", flush=True)


if __name__ == "__main__":
    main()
