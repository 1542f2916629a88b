"""Accuracy over a population of random closed-form loudspeakers; the seed changes every run.

    python tests/benchmarks/truth.py [--count 40] [--seed N]

Each loudspeaker is a sum of filter → polynomial → filter branches, recorded as a 24-bit WAV
(8 s sweep, 48 kHz, 20 Hz to 20 kHz, order 10) and analysed through the whole path.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from closed_form import Branch, cascade, harmonic_amplitudes, high_pass, low_pass, peak, play
from conftest import RATE_HZ, Bench, ladder_recipe


def draw(rng: np.random.Generator) -> list[Branch]:
    """A vented or sealed box's high-pass, mild resonances, and three branches of products."""
    box = high_pass(rng.uniform(25, 90), rng.uniform(0.5, 1.2))
    colour = cascade(
        *(
            peak(10 ** rng.uniform(2.2, 3.8), rng.uniform(1, 8), rng.uniform(-4, 6))
            for _ in range(rng.integers(0, 4))
        )
    )
    size = 10 ** (rng.uniform(-55, -25, 6) / 20)
    return [
        Branch(box, (1.0,), cascade(colour, low_pass(rng.uniform(15e3, 30e3), 0.6))),
        Branch(
            cascade(box, low_pass(rng.uniform(80, 400), 0.6)),
            (0.0, *size[:4]),
            colour,
        ),
        Branch(high_pass(rng.uniform(1e3, 4e3), 0.6), (0.0, *size[4:]), colour),
    ]


def main() -> None:
    """Print one line a loudspeaker and the totals."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--seed", type=int, default=None)
    given = parser.parse_args()
    seed = np.random.SeedSequence(given.seed).entropy
    rng = np.random.default_rng(seed)
    print(f"seed {seed}")
    recipe = ladder_recipe(
        name="long", band_hz=[20, 20000], sweep_s=8.0, levels_dbfs=[-10], order=10, quiet_s=3.0,
        pause_s=1.5,
    )  # fmt: skip
    bench = Bench(Path(tempfile.mkdtemp()), recipe)
    amplitude = 10 ** (-10 / 20)
    fundamentals, harmonics = [], []
    for number in range(given.count):
        branches = draw(rng)
        heard = play(branches, bench.waveform, RATE_HZ)
        gain = 0.5 / np.max(np.abs(heard))
        take = bench.analyse(gain * heard).take()
        rung, f = take.rungs[0], take.frequency_hz
        truth = harmonic_amplitudes(branches, f, amplitude, 10)
        off = np.abs(rung.fundamental_db - 20 * np.log10(gain * truth[0]))
        errors = []
        for order, curve in rung.harmonics.items():
            with np.errstate(divide="ignore"):
                true_db = 20 * np.log10(truth[order - 1] / truth[0])
            held = np.isfinite(curve.level_db) & (true_db >= -90)
            errors.append(np.abs(curve.level_db - true_db)[held])
        error = np.concatenate(errors)
        fundamentals.append(off.max())
        harmonics.append(error)
        print(
            f"{number:3d}  fundamental {off.max():.4f} dB at most; {len(error)} harmonic values:"
            f" median {np.median(error):.4f}, 99 % {np.percentile(error, 99):.4f},"
            f" largest {error.max():.3f} dB"
        )
    every = np.concatenate(harmonics)
    print(
        f"all: fundamental {max(fundamentals):.4f} dB at most; {len(every)} harmonic values:"
        f" median {np.median(every):.5f}, 99 % {np.percentile(every, 99):.4f} dB"
    )


if __name__ == "__main__":
    main()
