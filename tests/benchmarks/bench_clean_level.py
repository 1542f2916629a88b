"""How far noise moves the highest clean level; the seed changes every run unless given.

    python tests/benchmarks/bench_clean_level.py [SEED] [--count 20]

Each loudspeaker is a sum of filter → polynomial → filter branches, in some behind a limiter; the
THD of its branches at the loudest level is drawn between 0.1 and 30 %, so that 1, 3 and 10 % are
passed at various places of a ladder of 3 or 6 dB steps, or not at all. It is recorded once
without noise (24 bits) and three times with Gaussian noise, white or pink by turns, whose RMS over
the whole band is 50 dB below that of the loudest rung's samples. The same analysis reads all four,
and what it says with noise is held against what it says without.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from closed_form import Branch, cascade, flat, high_pass, low_pass, peak, play
from conftest import RATE_HZ, Bench, ladder_recipe
from protected_loudspeaker import TrueLimiter, limited

from distsweep.report.clean_level.levels import SAYING, headline, in_state, lowest, shown
from distsweep.results import CleanLevel, Take

SNR_DB = 50.0
LOUDEST_DBFS = -8.0


def draw(rng: np.random.Generator) -> list[Branch]:
    """A box's high-pass, mild resonances, and distortion in the bass, middle and treble."""
    box = high_pass(rng.uniform(30, 80), rng.uniform(0.5, 1.1))
    colour = cascade(
        flat,
        *(
            peak(10 ** rng.uniform(2.2, 3.8), rng.uniform(1, 6), rng.uniform(-4, 5))
            for _ in range(rng.integers(0, 4))
        ),
    )
    middle_hz = 10 ** rng.uniform(2.3, 3.3)
    regions = [
        low_pass(rng.uniform(60, 300), 0.6),
        cascade(high_pass(middle_hz / 1.5, 0.6), low_pass(middle_hz * 1.5, 0.6)),
        high_pass(rng.uniform(1e3, 4e3), 0.6),
    ]
    # Some loudspeakers are clean nearly to the top of the ladder, some to near its foot.
    strength = np.exp(rng.uniform(np.log(0.1), 0.0))
    branches = [Branch(box, (1.0,), cascade(colour, low_pass(rng.uniform(15e3, 30e3), 0.6)))]
    loudest = 10 ** (LOUDEST_DBFS / 20.0)
    for region in regions:
        second, third = np.exp(rng.uniform(np.log([0.01, 0.003]), np.log([0.3, 0.2])))
        second, third = strength * second, strength * third
        fifth = third * rng.uniform(0.0, 0.2)
        coefficients = (
            0.0,
            rng.choice([-1, 1]) * second * 2.0 / loudest,
            -third * 4.0 / loudest**2,
            0.0,
            rng.choice([-1, 1]) * fifth * 16.0 / loudest**4,
        )
        branches.append(Branch(region, tuple(float(c) for c in coefficients), cascade(box, colour)))
    return branches


def pink(rng: np.random.Generator, samples: int) -> np.ndarray:
    """Noise with as much power in every octave above 10 Hz."""
    spectrum = np.fft.rfft(rng.standard_normal(samples))
    frequency_hz = np.fft.rfftfreq(samples, 1.0 / RATE_HZ)
    return np.fft.irfft(spectrum / np.sqrt(np.maximum(frequency_hz, 10.0)), samples)


def agreement(noisy: CleanLevel, quiet: CleanLevel, step_db: float, count: Counter) -> None:
    """Count what each place says with noise, and whether it agrees with what it says without."""
    for i, state in enumerate(noisy.state):
        count[state] += 1
        count[f"quiet {quiet.state[i]}"] += 1
        low, high = span(quiet, i)
        if state == "reached":
            off = max(low - noisy.drive_dbfs[i], noisy.drive_dbfs[i] - high, 0.0)
            count["reached within 1 dB"] += bool(off <= 1.0)
        elif state == "bracketed":
            inside = noisy.drive_low_dbfs[i] <= high and low <= noisy.drive_high_dbfs[i]
            count["bracketed holds"] += bool(inside)
            width = noisy.drive_high_dbfs[i] - noisy.drive_low_dbfs[i]
            count["bracketed one step"] += bool(width <= step_db + 1e-6)
        elif state == "not reached":
            count["not reached denied"] += bool(high < noisy.drive_low_dbfs[i])
        elif state == "below":
            count["below denied"] += bool(low > noisy.drive_high_dbfs[i])


def span(clean: CleanLevel, i: int) -> tuple[float, float]:
    """Between what a place's drive lies: a value is both ends."""
    state = clean.state[i]
    if state == "reached":
        return float(clean.drive_dbfs[i]), float(clean.drive_dbfs[i])
    low = clean.drive_low_dbfs[i] if state in ("bracketed", "not reached") else -np.inf
    high = clean.drive_high_dbfs[i] if state in ("bracketed", "below") else np.inf
    return float(low), float(high)


def share(part: int, whole: int) -> str:
    return f"{100.0 * part / whole:5.1f} %" if whole else "    –  "


def show(name: str, count: Counter) -> None:
    """Print a limit's line."""
    states = ("reached", "bracketed", "not reached", "below", "contradicted", "unknown")
    total = sum(count[s] for s in states)
    print(
        f"{name:22s} n={total:6d}  reached {share(count['reached'], total)} (without noise"
        f" {share(count['quiet reached'], total)}), within 1 dB"
        f" {share(count['reached within 1 dB'], count['reached'])};"
        f" bracketed {share(count['bracketed'], total)}, holds"
        f" {share(count['bracketed holds'], count['bracketed'])}, one step"
        f" {share(count['bracketed one step'], count['bracketed'])};"
        f" not reached {share(count['not reached'], total)}, denied"
        f" {share(count['not reached denied'], count['not reached'])};"
        f" below {share(count['below'], total)}, denied"
        f" {share(count['below denied'], count['below'])};"
        f" contradicted {share(count['contradicted'], total)};"
        f" unknown {share(count['unknown'], total)}"
    )


def main() -> None:
    """Print a line a limit, for grid points, thirds of an octave and the headline."""
    parser = argparse.ArgumentParser()
    parser.add_argument("seed", type=int, nargs="?", default=None)
    parser.add_argument("--count", type=int, default=20)
    given = parser.parse_args()
    seed = np.random.SeedSequence(given.seed).entropy
    rng = np.random.default_rng(seed)
    print(f"seed {seed}")
    folder = Path(tempfile.mkdtemp())
    benches = {
        step: Bench(folder, ladder_recipe(
            name=f"step-{step}", band_hz=[20, 20000], sweep_s=6.0, order=10, quiet_s=3.0,
            pause_s=1.0, levels_dbfs=[LOUDEST_DBFS - step * k for k in range(rungs - 1, -1, -1)],
        ))
        for step, rungs in ((3, 9), (6, 6))
    }  # fmt: skip
    counts: dict[tuple[str, str], Counter] = {}
    for number in range(given.count):
        step = (3, 6)[number % 2]
        told = one(benches[step], rng, number, float(step), counts)
        print(f"{number:3d} {step} dB steps", *told, sep="\n      ", flush=True)
    for (where, limit), count in counts.items():
        show(f"{where} {limit}", count)


def one(
    bench: Bench, rng: np.random.Generator, number: int, step_db: float, counts: dict
) -> list[str]:
    """Measure one loudspeaker four times, count, and return its headlines."""
    waveform = bench.waveform
    if rng.uniform() < 0.4:
        limiter = TrueLimiter(rng.uniform(-24, -12), rng.choice([2.0, 4.0, 20.0]), 3.0, 5.0, 200.0)
        below_hz = rng.choice([None, rng.uniform(150, 2000)])
        waveform = limited(waveform, RATE_HZ, limiter, below_hz=below_hz)
    heard = play(draw(rng), waveform, RATE_HZ)
    heard *= 0.5 / np.max(np.abs(heard))
    start = bench.stimulus.files[0].rungs[-1].start_sample
    rms = np.sqrt(np.mean(heard[start : start + bench.stimulus.sweep.samples] ** 2))
    quiet = bench.analyse(heard).take()
    told = [f"quiet: {words(quiet)}"]
    for _ in range(3):
        noise = pink(rng, len(heard)) if number // 2 % 2 else rng.standard_normal(len(heard))
        noise *= rms * 10 ** (-SNR_DB / 20.0) / np.sqrt(np.mean(noise**2))
        noisy = bench.analyse(heard + noise).take()
        told.append(f"noisy: {words(noisy)}")
        compare(noisy, quiet, step_db, counts)
    return told


def compare(noisy: Take, quiet: Take, step_db: float, counts: dict) -> None:
    for where in ("clean_level", "clean_level_third_octave"):
        for a, b in zip(getattr(noisy, where), getattr(quiet, where), strict=True):
            name = {"clean_level": "grid", "clean_level_third_octave": "third"}[where]
            limit = f"{a.thd_percent:g}/{a.compression_db}"
            agreement(a, b, step_db, counts.setdefault((name, limit), Counter()))
    a, b = headline(noisy), headline(quiet)
    if a is not None and b is not None:
        agreement(a, b, step_db, counts.setdefault(("headline", "1/1.0"), Counter()))
        # Where some places are known from above only, the sentence goes on: "at every other …".
        strict, noiseless = shown(noisy)[0], shown(quiet)[0]
        others = in_state(strict, *SAYING) & ~in_state(strict, "below")
        same = others & in_state(noiseless, *SAYING)
        if np.any(others) and np.any(same):
            elsewhere = counts.setdefault(("elsewhere", "1/1.0"), Counter())
            agreement(lowest(strict, others), lowest(noiseless, same), step_db, elsewhere)


def words(take: Take) -> str:
    head = headline(take)
    if head is None:
        return "nothing"
    low, at, high = head.drive_low_dbfs[0], head.drive_dbfs[0], head.drive_high_dbfs[0]
    return f"{head.state[0]:12s} {low:6.1f} {at:6.1f} {high:6.1f}"


if __name__ == "__main__":
    main()
