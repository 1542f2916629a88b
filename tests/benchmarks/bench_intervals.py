"""Whether 95 % intervals hold the truth, over random closed-form loudspeakers in noise.

    python tests/benchmarks/bench_intervals.py SEED [--count 100] [--without-modes]

Each loudspeaker is drawn as in truth.py, with an excited mode of Q 8 to 40 besides; three rungs
of a sweep of 4 to 8 s are recorded with white or pink noise 30 to 80 dB below the loudest. The
values are sorted by their true signal-to-noise ratio, in steps of 5 dB: the share of intervals
that hold the truth, and their median half-width over that of known noise, 1.96 deviations.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import defaultdict
from pathlib import Path

import numpy as np
import scipy.fft

sys.path.insert(0, str(Path(__file__).parents[1]))

from closed_form import Branch, cascade, flat, harmonic_amplitudes, play
from conftest import RATE_HZ, Bench, ladder_recipe
from resonating import band_pass
from truth import draw

from distsweep.analysis.third_octave import fraction_bands, third_octave_bands
from distsweep.results import Rung

ORDER = 6
DB_PER_RATIO = 20.0 / np.log(10.0)


def with_mode(branches: list[Branch], rng: np.random.Generator) -> list[Branch]:
    """Add something that is set off at one frequency."""
    centre_hz = 10 ** rng.uniform(2.0, 3.3)
    mode = band_pass(centre_hz, rng.uniform(8.0, 40.0))
    size = 10 ** (rng.uniform(-40, -15, 2) / 20)
    return [*branches, Branch(cascade(branches[0].pre, mode), (0.0, *size), flat)]


def noise(rng: np.random.Generator, count: int, *, pink: bool) -> np.ndarray:
    """Return noise of RMS 1: white, or falling by 3 dB an octave above 20 Hz."""
    if not pink:
        return rng.standard_normal(count)
    spectrum = scipy.fft.rfft(rng.standard_normal(count))
    frequency_hz = scipy.fft.rfftfreq(count, 1.0 / RATE_HZ)
    spectrum /= np.sqrt(np.maximum(frequency_hz, 20.0))
    made = scipy.fft.irfft(spectrum, count)
    return made / np.std(made)


class Score:
    """Counts by kind of value and by true signal-to-noise ratio."""

    def __init__(self) -> None:
        self.held: dict[tuple[str, int], list[np.ndarray]] = defaultdict(list)
        self.width: dict[tuple[str, int], list[np.ndarray]] = defaultdict(list)

    def add(
        self,
        kind: str,
        true: np.ndarray,
        low_db: np.ndarray,
        high_db: np.ndarray,
        noise_power: np.ndarray,
        points: np.ndarray | float = 1.0,
    ) -> None:
        """Enter intervals; ``true`` and ``noise_power`` are powers re the same reference."""
        noise_power = np.where(np.isfinite(noise_power), noise_power, 0.0)
        known = np.isfinite(high_db) & np.isfinite(true) & (true > 0.0) & (noise_power > 0.0)
        true_db = 10.0 * np.log10(np.where(known, true, 1.0))
        snr = true / np.where(known, noise_power, 1.0)
        held = (low_db - 1e-6 <= true_db) & (true_db <= high_db + 1e-6)
        ideal_db = 1.96 * DB_PER_RATIO * np.sqrt(0.5 / np.maximum(snr * points, 1e-9))
        with np.errstate(invalid="ignore"):
            width = (high_db - low_db) / 2.0 / ideal_db
        step = np.floor(10.0 * np.log10(np.maximum(snr, 1e-9)) / 5.0).astype(int)
        for number in range(-2, 8):
            chosen = known & (step == number)
            self.held[kind, number].append(held[chosen])
            self.width[kind, number].append(width[chosen])

    def text(self) -> str:
        """Return a table: a line a kind, a column a step of 5 dB."""
        kinds = list(dict.fromkeys(kind for kind, _ in self.held))
        lines = [f"{'':22s}" + "".join(f"{5 * n:>12d} dB" for n in range(-2, 8))]
        for kind in kinds:
            cells = []
            for number in range(-2, 8):
                held = np.concatenate(self.held[kind, number])
                width = np.concatenate(self.width[kind, number])
                cells.append(
                    f"{100.0 * np.mean(held):7.1f} {np.median(width):5.2f} "
                    if len(held)
                    else " " * 14
                )
            lines.append(f"{kind:22s}" + " ".join(cells))
            counts = [len(np.concatenate(self.held[kind, n])) for n in range(-2, 8)]
            lines.append(f"{'  values':22s}" + " ".join(f"{c:14d}" for c in counts))
        return "\n".join(lines)


def enter(score: Score, rung: Rung, f: np.ndarray, truth: np.ndarray, gain: float) -> None:
    """Enter every interval of a rung."""
    powers = truth**2
    relative = powers[1:] / powers[0]
    level = gain**2 * powers[0]
    score.add(
        "fundamental", level, rung.fundamental_low_db, rung.fundamental_high_db,
        10 ** (rung.fundamental_floor_db / 10),
    )  # fmt: skip
    inside = np.array([np.isfinite(c.floor_db) for c in rung.harmonics.values()])
    floors = np.array([10 ** (c.floor_db / 10) for c in rung.harmonics.values()])
    for n, curve in rung.harmonics.items():
        score.add("harmonics", relative[n - 2], curve.low_db, curve.high_db, floors[n - 2])
    thd = np.sum(np.where(inside, relative, 0.0), axis=0)
    score.add("THD", thd, rung.thd_low_db, rung.thd_high_db, 10 ** (rung.thd_floor_db / 10))
    for smooth in rung.smoothed:
        per = smooth.bands_per_octave
        bands = third_octave_bands(f)[1] if per == 3 else fraction_bands(f, per)[1]
        count = np.sum(bands, axis=1)

        def mean(values: np.ndarray, bands: np.ndarray = bands) -> np.ndarray:
            return np.array([np.mean(values[b]) for b in bands])

        whole = np.array([np.all(inside[:, b] == inside[:, b][:, :1]) for b in bands])
        true = np.where(whole, mean(thd), np.nan)
        floor = mean(10 ** (rung.thd_floor_db / 10))
        score.add(f"THD 1/{per}", true, smooth.thd.low_db, smooth.thd.high_db, floor, count)
        for n, curve in smooth.harmonics.items():
            score.add(
                f"harmonics 1/{per}", np.where(whole, mean(relative[n - 2]), np.nan),
                curve.low_db, curve.high_db, mean(floors[n - 2]), count,
            )  # fmt: skip


def main() -> None:
    """Print the table for a seed."""
    parser = argparse.ArgumentParser()
    parser.add_argument("seed", type=int)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--without-modes", action="store_true")
    given = parser.parse_args()
    score = Score()
    benches = [
        Bench(
            Path(tempfile.mkdtemp()),
            ladder_recipe(
                name="noisy", band_hz=[30, 16000], sweep_s=sweep_s, levels_dbfs=[-30, -20, -10],
                order=ORDER, quiet_s=3.0, pause_s=1.0,
            ),
        )
        for sweep_s in (4.0, 6.0, 8.0)
    ]  # fmt: skip
    for number in range(given.count):
        rng = np.random.default_rng([given.seed, number])
        branches = draw(rng)
        if not given.without_modes:
            branches = with_mode(branches, rng)
        bench = benches[number % 3]
        heard = play(branches, bench.waveform, RATE_HZ)
        gain = 0.3 / np.max(np.abs(heard))
        rms = float(np.std(bench.rung_samples(gain * heard, 2)))
        level = rms * 10.0 ** (-rng.uniform(30.0, 80.0) / 20.0)
        added = level * noise(rng, len(heard), pink=bool(number % 2))
        take = bench.analyse(gain * heard + added, subtype="FLOAT").take()
        for rung in take.rungs:
            truth = harmonic_amplitudes(
                branches, take.frequency_hz, 10 ** (rung.drive_dbfs / 20), ORDER
            )
            enter(score, rung, take.frequency_hz, truth, gain)
    print(f"seed {given.seed}, {given.count} loudspeakers: share held in %, width over the ideal")
    print(score.text())


if __name__ == "__main__":
    main()
