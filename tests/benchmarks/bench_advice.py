"""Whether the recommended measurement reaches what was promised, and takes no more than it must.

    python tests/benchmarks/bench_advice.py SEED [--count 100]

Each random closed-form loudspeaker (truth.py) is measured once, with one sweep of 3 or 4 s, in
white or pink noise 30 to 70 dB below it. Where repeats or a longer sweep are recommended, that is
simulated with fresh noise: THD must then be known within 1.5 dB in nine tenths of the thirds of an
octave. It is simulated three times more with less than half of that, where it must not be known
each time: what is necessary is what does it reliably. Loudspeakers without a recommendation are
counted, and others drawn.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from bench_intervals import noise
from closed_form import Branch, play
from conftest import RATE_HZ, Bench, ladder_recipe
from truth import draw

from distsweep.results import Rung, ThdAdvice

HALVES = 3


def make_bench(**changes: Any) -> Bench:
    recipe: dict[str, Any] = {
        "name": "advised", "band_hz": [30, 16000], "levels_dbfs": [-10.0], "order": 6,
        "quiet_s": 3.0, "pause_s": 1.0,
    }  # fmt: skip
    return Bench(Path(tempfile.mkdtemp()), ladder_recipe(**(recipe | changes)))


class Room:
    """A loudspeaker at a microphone, and noise of one level and colour."""

    def __init__(
        self, branches: list[Branch], rng: np.random.Generator, bench: Bench, *, pink: bool
    ) -> None:
        self.branches, self.rng, self.pink, self.bench = branches, rng, pink, bench
        heard = play(branches, bench.waveform, RATE_HZ)
        self.gain = 0.3 / float(np.max(np.abs(heard)))
        rms = float(np.std(bench.rung_samples(self.gain * heard)))
        self.noise_rms = rms * 10.0 ** (-rng.uniform(30.0, 70.0) / 20.0)

    def measure(self, bench: Bench) -> tuple[list[Rung], list[ThdAdvice]]:
        """Return rungs and advice of a measurement with fresh noise."""
        heard = self.gain * play(self.branches, bench.waveform, RATE_HZ)
        # Noise of one RMS has one density whatever the recording's length.
        heard += self.noise_rms * noise(self.rng, len(heard), pink=self.pink)
        take = bench.analyse(heard, subtype="FLOAT").take()
        return take.rungs, take.thd_advice

    def reaches(self, advice: ThdAdvice, **changes: Any) -> bool:
        """Tell whether a measurement leaves THD known."""
        bench = make_bench(**changes)
        thd = self.measure(bench)[0][0].thd_third_octave
        assert thd is not None
        asked = (thd.frequency_hz >= advice.low_hz) & (thd.frequency_hz <= advice.high_hz)
        with np.errstate(invalid="ignore"):
            known = (thd.high_db - thd.low_db)[asked] <= 3.0
        for path in bench.folder.iterdir():
            path.unlink()
        return bool(np.sum(known) >= 0.9 * advice.bands)


def main() -> None:
    """Print a line a recommendation, and the two counts."""
    parser = argparse.ArgumentParser()
    parser.add_argument("seed", type=int)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--longer", type=int, default=3, help="every so-manieth a longer sweep")
    given = parser.parse_args()
    lengths_s = (3.0, 4.0)
    benches = [make_bench(sweep_s=sweep_s) for sweep_s in lengths_s]
    reached, needed, count, without, number = 0, 0, 0, 0, -1
    while count < given.count:
        number += 1
        rng = np.random.default_rng([given.seed, number])
        room = Room(draw(rng), rng, benches[number // 2 % 2], pink=bool(number % 2))
        sweep_s = lengths_s[number // 2 % 2]
        advised = [
            one
            for one in room.measure(room.bench)[1]
            if one.repeats and one.sweep_s and not one.at_least
        ]
        if not advised:
            without += 1
            continue
        advice = advised[0]
        assert advice.repeats is not None and advice.sweep_s is not None
        if count % given.longer:
            value = float(advice.repeats)
            less = (advice.repeats - 1) // 2
            does = room.reaches(advice, sweep_s=sweep_s, repeats=advice.repeats)
            idle = less > 1 and all(
                room.reaches(advice, sweep_s=sweep_s, repeats=less) for _ in range(HALVES)
            )
        else:
            value, less_s = advice.sweep_s, float(np.ceil(advice.sweep_s / 2.0) - 1.0)
            does = room.reaches(advice, sweep_s=advice.sweep_s)
            idle = less_s > sweep_s and all(
                room.reaches(advice, sweep_s=less_s) for _ in range(HALVES)
            )
        count += 1
        reached += does
        needed += not idle
        what = "repeats" if count % given.longer != 1 else "s"
        print(
            f"{number:4d} {advice.bands_known:2d}/{advice.bands}"
            f" {value:5.0f} {what:7s} {'reached' if does else 'MISSED':8s}"
            f" {'HALF IS ENOUGH' if idle else ''}",
            flush=True,
        )
    print(
        f"seed {given.seed}: of {count} recommendations {reached} reach what was promised,"
        f" {needed} need more than half; {without} loudspeakers had none"
    )


if __name__ == "__main__":
    main()
