"""How well resonances are found in a hundred random loudspeakers; the seeds change every run.

    python tests/benchmarks/bench_population.py [--count 100] [--seed N]

Each is a two-way loudspeaker with none to three resonances of known kind, and decoys: woofer
rise, crossover ripple, equaliser bumps, a reflection, hum, noise. Five rungs of 6 s on the axis,
through the whole path from recording to results.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from resonance_population import Population, score


def main() -> None:
    """Print the score after every tenth loudspeaker, and at the end."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=None)
    given = parser.parse_args()
    first = given.seed
    if first is None:
        first = int(np.random.default_rng().integers(10_000, 2**31))
    print(f"seeds {first} to {first + given.count - 1}", flush=True)
    bench = Population(Path(tempfile.mkdtemp()) / "benches")
    measured = []
    started = time.monotonic()
    for number in range(given.count):
        measured.append(bench.measured(first + number))
        if (number + 1) % 10 == 0 or number + 1 == given.count:
            print(f"--- {number + 1} after {time.monotonic() - started:.0f} s")
            print(score(measured).text(), flush=True)


if __name__ == "__main__":
    main()
