"""How soon sound ends after a stop, at the loudspeaker's input, over many random stops.

Run ``python tests/benchmarks/bench_stop.py [STOPS] [SEED]``: half of the stops are by a gain that
is raised by 8 to 30 dB, half by a signal, after zero to five drop-outs each. It needs PulseAudio,
runs in real time, 6 s a stop, and lists what is past 50 ms.
"""

from __future__ import annotations

import sys
import tempfile
from collections import defaultdict
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "system"))

from own_server import running_server
from rig import Rig
from stop_latency import Stopped, stop_by_gain, stop_by_signal

WITHIN_S = 0.05
DROP_OUTS = 6


TRIES = 4
"""A busy machine lets a stream run dry before the stop that is meant: it is tried again."""


def stop(rig: Rig, rng: np.random.Generator, *, by_gain: bool, eases: int) -> tuple[Stopped, str]:
    """Stop once, by what is random within its kind; return how it went, and that in words."""
    after_s = float(rng.uniform(0.4, 1.6))
    if by_gain:
        gain_db = float(rng.uniform(8.0, 30.0))
        how = f"gain {gain_db:+.1f} dB"
        done = stop_by_gain(rig, eases=eases, after_s=after_s, gain_db=gain_db)
    else:
        how = "signal"
        done = stop_by_signal(rig, eases=eases, after_s=after_s)
    rig.kept.unlink()
    told = (
        f"{eases} drop-outs, {how}: {done.kind}, {1e3 * done.latency_s:.1f} ms"
        f" (announced {1e3 * done.announced_s:.0f})"
    )
    print(told, flush=True)
    return done, told


def main(stops: int = 24, seed: int = 1) -> None:
    rng = np.random.default_rng(seed)
    table: dict[tuple[str, int], list[float]] = defaultdict(list)
    other: list[str] = []
    with tempfile.TemporaryDirectory() as name, running_server() as server:
        for number in range(stops):
            eases, by_gain = number // 2 % DROP_OUTS, number % 2 == 0
            rig = Rig(server, Path(name) / f"{number}")
            for _ in range(TRIES):
                done, told = stop(rig, rng, by_gain=by_gain, eases=eases)
                if done.kind == ("loud" if by_gain else "interrupted"):
                    table["gain" if by_gain else "signal", eases].append(done.latency_s)
                    break
                other.append(told)
    report(table, other)


def report(table: dict[tuple[str, int], list[float]], other: list[str]) -> None:
    """Print the latencies by what stopped it and the drop-outs before, and what is late."""
    for (what, eases), found in sorted(table.items()):
        print(
            f"{what:6s} after {eases} drop-outs: {len(found):3d} stops,"
            f" median {1e3 * np.median(found):5.1f} ms, longest {1e3 * max(found):5.1f} ms"
        )
    every = [latency_s for found in table.values() for latency_s in found]
    late = sum(latency_s > WITHIN_S for latency_s in every)
    print(f"{len(every)} stops, {late} later than 50 ms, {len(other)} stopped by something else")
    for told in other:
        print(f"  {told}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
