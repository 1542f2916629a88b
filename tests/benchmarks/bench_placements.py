"""Whether 95 % intervals hold the mean over placements, where the microphone is put back by hand.

    python tests/benchmarks/bench_placements.py SEED [--count 20]

Each two-way loudspeaker stands in a drawn room (moved_microphone.py), the microphone 1 to 3 cm off
its place each time, with noise 70 to 90 dB below the loudest rung. Of five placements, and of every
two and three of them, each take's intervals (level, H2, H3, THD; single frequencies and thirds of
an octave) are held against the mean, in dB, over 12 further placements without noise, measured by
the package as well, as its windows leave late reflections out. By octave: the share held in %, and
the median half-width in dB; after every five rooms.
"""

from __future__ import annotations

import argparse
import itertools
import sys
import tempfile
from collections import defaultdict
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from closed_form import play
from conftest import RATE_HZ, Bench, ladder_recipe
from moved_microphone import MovedRoom, in_room, moved_by

from distsweep.analysis.placements.group import reproducibility_of
from distsweep.analysis.placements.widened import with_reproducibility
from distsweep.results import Rung, Take

PLACEMENTS, OTHERS = (2, 3, 5), 12
OCTAVES_HZ = 1000.0 * 2.0 ** np.arange(-5, 5)

Curve = tuple[np.ndarray, np.ndarray, np.ndarray]


def curves_of(rung: Rung) -> dict[tuple[str, str], Curve]:
    """Return (values, low, high) of what is scored, by kind and quantity."""
    found = {
        ("single", "level"): (
            rung.fundamental_db,
            rung.fundamental_low_db,
            rung.fundamental_high_db,
        ),
        ("single", "THD"): (rung.thd_db, rung.thd_low_db, rung.thd_high_db),
    }
    third = next(one for one in rung.smoothed if one.bands_per_octave == 3)
    averages = {"level": third.fundamental, "THD": third.thd}
    for order in (2, 3):
        curve = rung.harmonics[order]
        found["single", f"H{order}"] = (curve.level_db, curve.low_db, curve.high_db)
        averages[f"H{order}"] = third.harmonics[order]
    for name, one in averages.items():
        found["third", name] = (one.level_db, one.low_db, one.high_db)
    return found


class Score:
    """Shares held and half-widths, by placements, kind, quantity and octave."""

    def __init__(self) -> None:
        self.held: dict[tuple[int, str, str], list[np.ndarray]] = defaultdict(list)

    def add(self, placed: list[Take], truth: list[dict[tuple[str, str], np.ndarray]]) -> None:
        """Enter the takes of a group, widened; ``truth`` has the means at each rung."""
        (found,) = reproducibility_of(placed)
        third_hz = placed[0].rungs[0].smoothed[-1].frequency_hz
        for take in placed:
            rungs = with_reproducibility(take.rungs, found)
            for rung, means in zip(rungs, truth, strict=True):
                for key, (_, low_db, high_db) in curves_of(rung).items():
                    mean_db = means[key]
                    f = take.frequency_hz if key[0] == "single" else third_hz
                    known = np.isfinite(high_db) & np.isfinite(mean_db)
                    held = (low_db <= mean_db) & (mean_db <= high_db)
                    octave = np.round(np.log2(f / 1000.0)) + 5.0
                    parts = octave, held, (high_db - low_db) / 2.0
                    row = np.array([part[known] for part in parts], dtype=float)
                    self.held[len(placed), *key].append(row)

    def text(self) -> str:
        """Return a table: a line a kind, a column an octave, and all together."""
        heads = "".join(f"{hz:12.0f}" for hz in OCTAVES_HZ)
        lines = [f"{'placements':22s}{heads}         all   reliable"]
        for (count, kind, name), rows in self.held.items():
            octave, held, half_db = np.concatenate(rows, axis=1)
            cells = []
            for chosen in [*(octave == n for n in range(len(OCTAVES_HZ))), octave > -1.0]:
                some = np.any(chosen)
                share = 100.0 * np.mean(held[chosen]) if some else np.nan
                width_db = np.median(half_db[chosen]) if some else np.nan
                cells.append(f"{share:6.1f} {width_db:5.2f}" if some else " " * 12)
            reliable = 100.0 * np.mean(half_db <= 1.5)
            lines.append(f"{count} {kind:8s}{name:12s}{''.join(cells)} {reliable:8.0f} %")
        return "\n".join(lines)


def placed_takes(rng: np.random.Generator, bench: Bench) -> tuple[Callable[[float], Take], float]:
    """Return what measures a loudspeaker at one more placement, in noise of an RMS, and the RMS."""
    room = MovedRoom.draw(rng)
    sizes = 10.0 ** (rng.uniform(-50.0, -28.0, 6) / 20.0)
    crossover_hz = rng.uniform(1500.0, 3500.0)
    below_db = rng.uniform(70.0, 90.0)
    gain = 0.1

    def measure(noise_rms: float) -> Take:
        heard = gain * play(
            in_room(room, moved_by(rng), sizes, crossover_hz), bench.waveform, RATE_HZ
        )
        heard += noise_rms * rng.standard_normal(len(heard))
        return bench.analyse(heard, subtype="FLOAT").take()

    return measure, gain * 0.2 * 10.0 ** (-below_db / 20.0)


def main() -> None:
    """Print the table for a seed."""
    parser = argparse.ArgumentParser()
    parser.add_argument("seed", type=int)
    parser.add_argument("--count", type=int, default=20)
    given = parser.parse_args()
    recipe = ladder_recipe(
        name="placed", band_hz=[40, 16000], sweep_s=2.0, levels_dbfs=[-20, -10], order=4,
        quiet_s=1.5, pause_s=0.4,
    )  # fmt: skip
    bench = Bench(Path(tempfile.mkdtemp()), recipe)
    score = Score()
    for number in range(given.count):
        measure, noise_rms = placed_takes(np.random.default_rng([given.seed, number]), bench)
        placed = [
            replace(measure(noise_rms), placement=count + 1) for count in range(max(PLACEMENTS))
        ]
        others = [list(map(curves_of, measure(0.0).rungs)) for _ in range(OTHERS)]
        truth = [
            {key: np.mean([one[key][0] for one in same], axis=0) for key in same[0]}
            for same in zip(*others, strict=True)
        ]
        for count in PLACEMENTS:
            for several in itertools.combinations(placed, count):
                score.add(list(several), truth)
        if (number + 1) % 5 == 0 or number + 1 == given.count:
            print(f"seed {given.seed}, {number + 1} rooms: % held, median half-width in dB")
            print(score.text(), flush=True)


if __name__ == "__main__":
    main()
