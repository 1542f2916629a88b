"""What a steady tone would show at the top of excited modes, told from sweeps, against the truth.

    python tests/benchmarks/bench_steady.py SEED [--count 60]

Each loudspeaker is drawn as in bench_intervals.py, with one excited mode of Q 8 to 40 between
100 Hz and 2 kHz; two rungs of a sweep of 4 to 16 s are recorded with noise 40 to 90 dB below the
loudest. The closed form's harmonic, re its fundamental, at its highest around the mode, is held
against what the resonance's record states. A star marks those that the bar of 0.5 dB is for: the
sweep is slow enough, and the swept top stands 20 dB above its floor.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from bench_intervals import noise
from closed_form import Branch, cascade, flat, harmonic_amplitudes, play
from conftest import RATE_HZ, Bench, ladder_recipe
from resonating import band_pass
from truth import draw

from distsweep.results import Resonance, Take

LENGTHS_S = (4.0, 6.0, 10.0, 16.0)
NEAR = 0.02


def loudspeaker(rng: np.random.Generator) -> tuple[list[Branch], float, float]:
    """Return branches, and frequency and Q of the mode that is set off."""
    branches = draw(rng)
    mode_hz, q = 10 ** rng.uniform(2.0, 3.3), rng.uniform(8.0, 40.0)
    size = 10 ** (rng.uniform(-40, -10, 2) / 20)
    pre = cascade(branches[0].pre, band_pass(mode_hz, q))
    return [*branches, Branch(pre, (0.0, *size), flat)], mode_hz, q


def true_top_db(
    branches: list[Branch], mode_hz: float, q: float, drive_dbfs: float, order: int
) -> float:
    """Return the highest level of a harmonic re the fundamental, half a bandwidth to each side."""
    around_hz = mode_hz * (1.0 + np.linspace(-0.5, 0.5, 201) / q)
    amplitudes = harmonic_amplitudes(branches, around_hz, 10 ** (drive_dbfs / 20), order)
    return float(20 * np.log10(np.max(amplitudes[order - 1] / amplitudes[0])))


def above_floor_db(take: Take, one: Resonance, mode_hz: float) -> float:
    """Return how far the swept top stands above its floor."""
    near = np.abs(np.log2(take.frequency_hz / mode_hz)) <= 1.5 / 48
    curve = take.rungs[-1].harmonics[one.steady_order or 2]
    return float(np.max((curve.level_db - curve.floor_db)[near]))


def main() -> None:
    """Print a line a mode, and the totals."""
    parser = argparse.ArgumentParser()
    parser.add_argument("seed", type=int)
    parser.add_argument("--count", type=int, default=60)
    given = parser.parse_args()
    benches = [
        Bench(
            Path(tempfile.mkdtemp()),
            ladder_recipe(
                name="steady", band_hz=[30, 16000], sweep_s=sweep_s, levels_dbfs=[-20, -10],
                order=5, quiet_s=3.0, pause_s=1.0,
            ),
        )
        for sweep_s in LENGTHS_S
    ]  # fmt: skip
    slow, fast, missed = [], [], 0
    for number in range(given.count):
        rng = np.random.default_rng([given.seed, number])
        branches, mode_hz, q = loudspeaker(rng)
        bench = benches[number % len(benches)]
        heard = play(branches, bench.waveform, RATE_HZ)
        gain = 0.3 / np.max(np.abs(heard))
        rms = float(np.std(bench.rung_samples(gain * heard, 1)))
        level = rms * 10.0 ** (-rng.uniform(40.0, 90.0) / 20.0)
        added = level * noise(rng, len(heard), pink=bool(number % 2))
        results = bench.analyse(gain * heard + added, subtype="FLOAT")
        found = [
            one for one in results.resonances
            if one.steady_level_db is not None and abs(one.frequency_hz / mode_hz - 1.0) < NEAR
        ]  # fmt: skip
        constant_s = bench.stimulus.sweep.rate_constant_s
        speed = 2.0 * q**2 / (np.pi * mode_hz * constant_s)
        line = f"{number:3d} {mode_hz:7.1f} Hz  Q {q:4.1f}  {bench.stimulus.recipe.sweep_s:4.0f} s"
        line += f"  2Q²/(πfL) {speed:5.2f}"
        if not found:
            missed += 1
            print(f"{line}  not found")
            continue
        one = found[0]
        assert one.steady_order is not None and one.steady_drive_dbfs is not None
        assert one.steady_level_db is not None and one.steady_high_db is not None
        true_db = true_top_db(branches, mode_hz, q, one.steady_drive_dbfs, one.steady_order)
        off_db = one.steady_level_db - true_db
        low_db = -np.inf if one.steady_low_db is None else one.steady_low_db
        held = low_db <= true_db <= one.steady_high_db
        clear_db = above_floor_db(results.take(), one, mode_hz)
        judged = speed <= 3.0 and clear_db >= 20.0
        (slow if judged else fast).append((off_db, held))
        print(
            f"{line}  order {one.steady_order}, {clear_db:4.0f} dB clear, conf."
            f" {one.confidence:4.2f}: swept {one.swept_level_db - true_db:+6.2f}, steady"
            f" {off_db:+5.2f} dB, half-width {(one.steady_high_db - low_db) / 2:5.2f}"
            f"{'' if held else ', not held'}{' *' if judged else ''}"
        )
    for name, rows in (("slow and clear (*)", slow), ("others", fast)):
        off = np.array([abs(row[0]) for row in rows])
        if len(off):
            print(
                f"{name}: {len(off)} modes; within 0.5 dB {np.sum(off <= 0.5)}, median"
                f" {np.median(off):.2f}, largest {np.max(off):.2f} dB; interval holds it in"
                f" {sum(row[1] for row in rows)}"
            )
    print(f"not found: {missed} of {given.count}")


if __name__ == "__main__":
    main()
