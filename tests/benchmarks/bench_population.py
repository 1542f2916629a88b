"""How well resonances are found in a hundred random loudspeakers; the seeds change every run.

    python tests/benchmarks/bench_population.py [--count 100] [--seed N] [--calls-only]

Each is a two-way loudspeaker with none to three resonances of known kind, and decoys: woofer
rise, crossover ripple, equaliser boosts, reflections, hum, noise. Five rungs of 6 s on the axis,
through the whole path from recording to results, two at a time. With ``--calls-only`` it is not
settled which resonances ought to be found: three times as fast, to see whether the confidence is
right. A call counts as real if its kind is right, too. Simulator and search share model forms (a
mode of the second order, reflections that lose highs like a first-order filter), so the scores are
for loudspeakers that follow them.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from functools import cache, partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from resonance_population import Measured, Population, score


@cache
def _population() -> Population:
    """One set of benches a worker."""
    return Population(Path(tempfile.mkdtemp()) / "benches")


def measured(seed: int, *, settled: bool) -> Measured:
    return _population().measured(seed, settled=settled)


def main() -> None:
    """Print the score after every twentieth loudspeaker, and at the end."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=None)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--calls-only", action="store_true")
    given = parser.parse_args()
    first = given.seed
    if first is None:
        first = int(np.random.default_rng().integers(10_000, 2**31))
    print(f"seeds {first} to {first + given.count - 1}", flush=True)
    done = []
    started = time.monotonic()
    measure = partial(measured, settled=not given.calls_only)
    with ProcessPoolExecutor(given.workers) as pool:
        for one in pool.map(measure, range(first, first + given.count)):
            done.append(one)
            if len(done) % 20 == 0 or len(done) == given.count:
                print(f"--- {len(done)} after {time.monotonic() - started:.0f} s")
                print(score(done).text(), flush=True)


if __name__ == "__main__":
    main()
