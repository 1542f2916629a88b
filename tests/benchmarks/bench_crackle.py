"""Whether a crackling loudspeaker is told from a crackling room, over random ones.

    python tests/benchmarks/bench_crackle.py SEED [--count 100] [--list]

Half of the draws are loudspeakers in closed form to whose sound the cone adds a click whenever its
instantaneous excursion rises past a threshold that at least two rungs pass; the other half are the
same loudspeakers in a room with the same click at random times of the recording. A loudspeaker is
told where `Rung.impulsive_db` has a level and most of the clicks were not taken for damage; a
room where it has none and a click, a knock or noise is in `Take.damage`. Nothing said is not told.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections import Counter
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from closed_form import play
from conftest import RATE_HZ
from crackling import a_click, clicks_at, excursion, passings
from damage_draws import PEAK, background, bench_of, sounded
from damaging import between
from truth import draw

from distsweep.results import Take

HEARD_AS = ("click", "knock", "noise")
BAR = 95


def crackle(
    rng: np.random.Generator, waveform: np.ndarray, spans: list[tuple[int, int]], *, room: bool
) -> np.ndarray:
    """Return the samples at which something clicks.

    The cone's threshold lies where the second loudest sweep still passes it. A room clicks at
    random times of the whole recording: five times, or up to as often as the cone.
    """
    moved = excursion(waveform, RATE_HZ, resonance_hz=rng.uniform(50.0, 200.0), q=0.7)
    highest = sorted(float(np.max(moved[first:end])) for first, end in spans)
    threshold = highest[-2] * rng.uniform(0.5, 0.95)
    places = [first + passings(moved[first:end], threshold) for first, end in spans]
    count = sum(len(part) for part in places)
    if room:
        return rng.integers(0, len(waveform), round(between(rng, 5, max(count, 6))))
    return np.concatenate(places)


def told(take: Take, clicks: int) -> str:
    """Return whom an analysis holds the clicks for: "loudspeaker", "room", "both", "nobody"."""
    own = any(np.any(np.isfinite(rung.impulsive_db)) for rung in take.rungs)
    found = sum(damage.kind in HEARD_AS for damage in take.damage)
    if own:
        return "both" if 2 * found > clicks else "loudspeaker"
    return "room" if found else "nobody"


def main() -> None:
    """Print how many of each sort are told, and what the others are taken for."""
    parser = argparse.ArgumentParser()
    parser.add_argument("seed", type=int)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--list", action="store_true")
    given = parser.parse_args()
    started = time.monotonic()
    verdicts: Counter[tuple[str, str]] = Counter()
    for number in range(given.count):
        rng = np.random.default_rng([given.seed, number // 2])
        of = "room" if number % 2 else "loudspeaker"
        bench = bench_of(4, 4.0, 1, returns=False)
        branches = draw(rng)
        clean = sounded(bench, bench.waveform, lambda x, b=branches: play(b, x, RATE_HZ))
        clean *= PEAK / np.max(np.abs(clean))
        starts = [rung.start_sample for rung in bench.stimulus.files[0].rungs]
        spans = [(first, first + bench.stimulus.sweep.samples) for first in starts]
        rms = float(np.std(clean[slice(*spans[-1])]))
        shape, size = a_click(rng, RATE_HZ), between(rng, 0.02, 0.5) * rms
        below_db = rng.uniform(40.0, 70.0)
        noise = rms * 10.0 ** (-below_db / 20.0) * background(rng, len(clean))
        places = crackle(rng, bench.waveform, spans, room=of == "room")
        sizes = size * rng.uniform(0.7, 1.0, len(places))
        heard = clean + clicks_at(places, sizes, shape, len(clean)) + noise
        take = bench.analyse(heard, subtype="FLOAT").takes[0]
        verdict = told(take, len(places))
        verdicts[of, verdict] += 1
        if given.list:
            print(
                f"{number:3d} {of}: {len(places)} clicks of {size / rms:.3f} RMS, noise"
                f" −{below_db:.0f} dB; taken for {verdict}; {len(take.damage)} damages",
                flush=True,
            )
    for (of, verdict), count in sorted(verdicts.items()):
        print(f"crackling {of}: {count} taken for {verdict}")
    right = sum(count for (of, verdict), count in verdicts.items() if of == verdict)
    print(f"{right} of {given.count} told; bar: {BAR} of 100")
    print(f"seed {given.seed}, {time.monotonic() - started:.0f} s")


if __name__ == "__main__":
    main()
