"""Changes of resonances that are named between loudspeakers alike, and those with a known change.

    python tests/benchmarks/bench_resonance_changes.py FOLDER … [--list] [--kinds alike,mode,…]

A FOLDER holds, in folders of any depth, results of pairs as `pair_draws.py` makes them:
KIND-1.json, KIND-2.json, and what was changed in KIND.truth.json. For each kind it counts the
pairs in which a mode is said to have moved, gone or come that has not, at several limits of
standard deviations; of modes that moved how many are named, and how far the measured shift is from
the truth.
"Visible" are those whose mode either search lists, within 3 %, with confidence 0.5 or more.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from distsweep.comparison.record import ResonanceChange
from distsweep.comparison.resonances import resonance_changes
from distsweep.results import Results, read_results

LIMITS = (3.0, 3.5, 4.0, 4.5, 5.0)
NEAR = 0.03
"""A named mode is the one that was moved where both are so close, as a fraction (chosen: more than
the move, less than the distance to a neighbour)."""


@dataclass
class Count:
    """What was counted of one kind of pair."""

    pairs: int = 0
    false: dict[float, int] = field(default_factory=lambda: dict.fromkeys(LIMITS, 0))
    found: dict[float, int] = field(default_factory=lambda: dict.fromkeys(LIMITS, 0))
    visible: int = 0
    found_visible: int = 0
    deviates: list[float] = field(default_factory=list)
    away: list[float] = field(default_factory=list)
    inside: list[bool] = field(default_factory=list)
    seconds: float = 0.0


def changed(change: ResonanceChange) -> bool:
    return change.state in ("moved", "gone", "new")


def is_moved(change: ResonanceChange, truth: dict[str, float]) -> bool:
    """Tell whether a change is the one that was made."""
    if change.state != "moved" or change.frequency_hz is None:
        return False
    return abs(math.log(change.frequency_hz / truth["frequency_hz"])) <= NEAR


def is_visible(sides: list[Results], truth: dict[str, float]) -> bool:
    return any(
        abs(math.log(one.frequency_hz / truth[key])) <= NEAR and one.confidence >= 0.5
        for side, key in zip(sides, ("frequency_hz", "moved_hz"), strict=True)
        for one in side.resonances
    )


def score(count: Count, folder: Path, kind: str, *, shown: bool) -> None:
    """Compare one pair and count what is said of it."""
    sides = [read_results(folder / f"{kind}-{n}.json") for n in (1, 2)]
    truth = json.loads((folder / f"{kind}.truth.json").read_text(encoding="utf-8"))
    start = time.perf_counter()
    by_limit = {limit: resonance_changes(*sides, beyond=limit) for limit in LIMITS[::2]}
    count.seconds += (time.perf_counter() - start) / len(by_limit)
    by_limit |= {limit: by_limit[LIMITS[2]] for limit in LIMITS if limit not in by_limit}
    count.pairs += 1
    moved = kind == "mode"
    for limit, changes in by_limit.items():
        named = [one for one in changes if changed(one) and one.deviations >= limit]
        right = [one for one in named if moved and is_moved(one, truth)]
        count.false[limit] += len(named) > len(right[:1])
        count.found[limit] += bool(right)
    changes = by_limit[LIMITS[2]]
    right = [one for one in changes if moved and is_moved(one, truth)][:1]
    if moved and is_visible(sides, truth):
        count.visible += 1
        count.found_visible += bool(right)
    for one in right:
        assert one.change_percent is not None and one.low_percent is not None
        assert one.high_percent is not None
        true = 100.0 * (truth["moved_hz"] / truth["frequency_hz"] - 1.0)
        count.away.append(one.change_percent - true)
        count.inside.append(one.low_percent <= true <= one.high_percent)
    count.deviates += [one.deviations for one in changes if one not in right]
    wrong = [one for one in changes if changed(one) and one not in right]
    if shown and (wrong or (moved and not right)):
        print(folder.name, kind, truth)
        for one in changes:
            print("   ", one.state, one.kind, one.frequency_hz, one.other_hz, one.change_percent,
                  round(one.deviations, 2), one.sentence)  # fmt: skip


def main() -> None:
    """Score all pairs of the folders given."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", type=Path, nargs="+", metavar="FOLDER")
    parser.add_argument("--kinds", default="alike,h2,threshold,sensitivity,mode")
    parser.add_argument("--list", action="store_true", help="show pairs that went wrong")
    given = parser.parse_args()
    for kind in given.kinds.split(","):
        count = Count()
        truths = [t for folder in given.folders for t in folder.rglob(f"{kind}.truth.json")]
        for truth in sorted(truths):
            score(count, truth.parent, kind, shown=given.list)
        if not count.pairs:
            continue
        print(f"{kind}: {count.pairs} pairs, {count.seconds / count.pairs:.1f} s each")
        print("  wrongly named by limit:", count.false)
        if count.deviates:
            z = np.array(count.deviates)
            print(f"  deviations of all others: 95 % under {np.quantile(z, 0.95):.2f}, "
                  f"most {z.max():.2f}, of {len(z)}")  # fmt: skip
        if kind == "mode":
            print("  found by limit:", count.found)
            print(f"  visible: {count.visible}, found of these: {count.found_visible}")
            if count.away:
                away = np.array(count.away)
                print(f"  measured less true shift: mean {away.mean():+.3f} %, deviation "
                      f"{away.std():.3f} %, median size {np.median(np.abs(away)):.3f} %; in the "
                      f"interval: {np.mean(count.inside):.0%}")  # fmt: skip


if __name__ == "__main__":
    sys.exit(main())
