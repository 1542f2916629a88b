"""THD at a stated level through the whole path: played, recorded with noise, analysed, read.

    python tests/benchmarks/bench_at_spl_recorded.py [SEED] [--count 6]

Loudspeakers of `bench_clean_level.py`, without limiters, play a ladder of 6 dB steps; noise, white
or pink by turns, lies 70 dB below the RMS of the loudest rung. THD of each frequency at four levels
of the fundamental is held against the closed form at the drive that gives them. It prints how
many intervals hold the truth, and how far those values are off that are known within 1.5 dB.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from bench_clean_level import draw, pink
from closed_form import Branch, harmonic_amplitudes, play
from conftest import RATE_HZ, Bench, ladder_recipe

from distsweep.results.at_spl import EACH_FREQUENCY
from distsweep.results.stated_level import state_level

DRIVES_DBFS = [-38.0, -32.0, -26.0, -20.0, -14.0, -8.0]
ORDER, HIGHEST_HZ, SNR_DB = 10, 20000.0, 70.0


def truth(
    branches: list[Branch], frequency_hz: np.ndarray, gain: float
) -> tuple[np.ndarray, np.ndarray]:
    """Fundamental and THD in dB over 601 drives, ``(D, F)``."""
    drives = np.linspace(DRIVES_DBFS[0], DRIVES_DBFS[-1], 601)
    made = np.array(
        [harmonic_amplitudes(branches, frequency_hz, 10.0 ** (d / 20.0), ORDER) for d in drives]
    )
    orders = np.arange(2, ORDER + 1)[:, None]
    power = np.sum(np.where(orders * frequency_hz <= HIGHEST_HZ, made[:, 1:] ** 2, 0.0), axis=1)
    with np.errstate(divide="ignore"):
        return 20.0 * np.log10(gain * made[:, 0]), 10.0 * np.log10(power / made[:, 0] ** 2)


def first_at(level_db: np.ndarray, thd_db: np.ndarray, wanted_db: float) -> float:
    """THD at the first drive that gives a level, NaN where none does."""
    passed = np.flatnonzero((level_db[:-1] <= wanted_db) & (wanted_db <= level_db[1:]))
    if not len(passed):
        return float("nan")
    i = int(passed[0])
    share = (wanted_db - level_db[i]) / (level_db[i + 1] - level_db[i])
    return float(thd_db[i] + share * (thd_db[i + 1] - thd_db[i]))


def main() -> None:
    """Print a line a loudspeaker, with the counts so far."""
    parser = argparse.ArgumentParser()
    parser.add_argument("seed", type=int, nargs="?", default=None)
    parser.add_argument("--count", type=int, default=6)
    given = parser.parse_args()
    seed = np.random.SeedSequence(given.seed).entropy
    rng = np.random.default_rng(seed)
    print(f"seed {seed}")
    recipe = ladder_recipe(
        name="six", band_hz=[20, HIGHEST_HZ], sweep_s=6.0, order=ORDER, quiet_s=3.0, pause_s=1.0,
        levels_dbfs=DRIVES_DBFS,
    )  # fmt: skip
    bench = Bench(Path(tempfile.mkdtemp()), recipe)
    start = bench.stimulus.files[0].rungs[-1].start_sample
    held, off = [], []
    for number in range(given.count):
        branches = draw(rng)
        heard = play(branches, bench.waveform, RATE_HZ)
        gain = 0.5 / np.max(np.abs(heard))
        heard *= gain
        rms = np.sqrt(np.mean(heard[start : start + bench.stimulus.sweep.samples] ** 2))
        noise = pink(rng, len(heard)) if number % 2 else rng.standard_normal(len(heard))
        noise *= rms * 10.0 ** (-SNR_DB / 20.0) / np.sqrt(np.mean(noise**2))
        take = bench.analyse(heard + noise).take()
        level_db, thd_db = truth(branches, take.frequency_hz, gain)
        for wanted in np.percentile(level_db, [40, 55, 70, 80]):
            found = state_level(take.frequency_hz, take.rungs, float(wanted), EACH_FREQUENCY)
            for i in np.flatnonzero(np.isfinite(found.thd_high_db)):
                true = first_at(level_db[:, i], thd_db[:, i], float(wanted))
                if np.isfinite(true):
                    low, high = (
                        np.nan_to_num(found.thd_low_db[i], nan=-np.inf),
                        found.thd_high_db[i],
                    )
                    held.append(low <= true <= high)
                    if high - low <= 3.0:
                        off.append(abs(found.thd_db[i] - true))
        print(f"{number:3d}: {np.sum(held)} of {len(held)} held, {len(off)} known within 1.5 dB,"
              f" off {np.median(off):.2f} dB (median), {np.percentile(off, 95):.2f} (95 %),"
              f" {np.max(off):.2f} at most", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
