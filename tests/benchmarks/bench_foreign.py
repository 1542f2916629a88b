"""Sweeps of other programs, found in their sound files, and what is measured with them.

    python tests/benchmarks/bench_foreign.py SEED [--count 40]

Each draw is a 24-bit file of one to five sweeps (2 to 30 s, 5…50 Hz to 15…24 kHz, with and without
the "−1" of Farina's formula, with and without fades; `foreign_sweeps.drawn_file`). It is played
through two random closed-form loudspeakers and recorded at its rate, in 24 bits: one whose filters
all lie behind its curvature, and one of `truth.draw`, with filters before it as well. Those cost
more, in any sweep: it passes them faster than a steady tone (DEVELOPERS.md, "A sweep is no steady
tone"), and 2 s from 5 Hz is fast. Harmonics are counted from 2.5 times the sweep's start to 0.8
times its end over the order, down to −90 dB.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).parents[1]))

from closed_form import Branch, cascade, flat, harmonic_amplitudes, high_pass, low_pass, peak, play
from foreign_sweeps import ForeignFile, drawn_file
from truth import draw

from distsweep.analysis.take import measure_take
from distsweep.results import Conditions
from distsweep.stimulus.found_sweep import FoundStimulus
from distsweep.takes.session_calibration import Calibration
from distsweep.takes.session_takes import TakeEntry
from distsweep.takes.take import find_take, take_settings

WITHIN = 1e-4
"""Bound of rate constant and frequency (issue)."""

WITHIN_DB, SHARE = 0.1, 0.98
"""Bound of harmonics, and of how many must keep it (issue)."""

LEAST_DB = -90.0
"""Harmonics that lie lower are not counted: the file's rounding moves them."""

GAIN, LEAD_S, TAIL_S = 0.4, 1.5, 1.0


def curved_first(rng: np.random.Generator) -> list[Branch]:
    """Draw a loudspeaker whose filters all follow its curvature."""
    sizes = 10.0 ** (rng.uniform(-50.0, -25.0, 4) / 20.0)
    colour = cascade(
        high_pass(rng.uniform(25.0, 90.0), rng.uniform(0.5, 1.2)),
        *(
            peak(10.0 ** rng.uniform(2.2, 3.8), rng.uniform(1.0, 8.0), rng.uniform(-4.0, 6.0))
            for _ in range(rng.integers(0, 4))
        ),
        low_pass(rng.uniform(12e3, 20e3)),
    )
    return [Branch(flat, (1.0, *sizes), colour)]


def recorded(folder: Path, drawn: ForeignFile, branches: list[Branch]) -> Path:
    """Write what a recorder beside the loudspeaker takes down."""
    rate_hz = drawn.sweep.rate_hz
    wave = np.pad(drawn.waveform(), (round(LEAD_S * rate_hz), round(TAIL_S * rate_hz)))
    path = folder / "take.wav"
    soundfile.write(path, GAIN * play(branches, wave, rate_hz), rate_hz, subtype="PCM_24")
    return path


def harmonic_errors(
    folder: Path, drawn: ForeignFile, branches: list[Branch]
) -> tuple[FoundStimulus, np.ndarray, np.ndarray]:
    """Return what was found of the sweep, errors of harmonics in dB, and which are reliable."""
    entry = TakeEntry("axis", folder / "played.wav", (recorded(folder, drawn, branches),))
    take = find_take(entry)
    assert isinstance(take.stimulus, FoundStimulus)
    settings = take_settings(
        take.stimulus.recipe, Calibration(), Conditions(), band_hz=take.band_hz
    )
    measured = measure_take(take.cut, settings)
    f = measured.frequency_hz
    errors, reliable = [], []
    for rung in measured.rungs:
        truth = harmonic_amplitudes(branches, f, 10.0 ** (rung.drive_dbfs / 20.0), settings.order)
        with np.errstate(divide="ignore"):
            true_db = 20.0 * np.log10(truth / truth[0])
        for order, curve in rung.harmonics.items():
            counted = (f >= 2.5 * drawn.sweep.start_hz) & (f <= 0.8 * drawn.sweep.stop_hz / order)
            counted &= true_db[order - 1] >= LEAST_DB
            with np.errstate(invalid="ignore"):
                off = np.abs(curve.level_db - true_db[order - 1])[counted]
            errors.append(np.where(np.isfinite(off), off, np.inf))  # one that is not stated is off
            reliable.append(curve.reliable[counted])
    return take.stimulus, np.concatenate(errors), np.concatenate(reliable)


def sweep_errors(drawn: ForeignFile, found: FoundStimulus) -> tuple[float, float]:
    """Return how far rate constant, and frequency at the ends of the full level, are off."""
    own = drawn.sweep
    times_s = np.array([own.fade_in_s, 0.5 * own.duration_s, own.duration_s - own.fade_out_s])
    off_hz = 0.0
    for rung, start in zip(found.file.rungs, drawn.starts, strict=True):
        since_s = times_s + (start - rung.start_sample) / own.rate_hz
        ratio = found.sweep.frequency_at_hz(since_s) / own.frequency_at_hz(times_s)
        off_hz = max(off_hz, float(np.max(np.abs(ratio - 1.0))))
    return abs(found.sweep.rate_constant_s / own.rate_constant_s - 1.0), off_hz


def main() -> None:
    """Print one line a sweep, and the totals."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("seed", type=int)
    parser.add_argument("--count", type=int, default=40)
    given = parser.parse_args()
    rng = np.random.default_rng(given.seed)
    kept = 0
    every: dict[str, list[tuple[np.ndarray, np.ndarray]]] = {"behind": [], "before": []}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for number in range(given.count):
            drawn = drawn_file(rng)
            own = drawn.sweep
            soundfile.write(folder / "played.wav", drawn.waveform(), own.rate_hz, subtype="PCM_24")
            shares = []
            for where, branches in (("behind", curved_first(rng)), ("before", draw(rng))):
                found, errors, reliable = harmonic_errors(folder, drawn, branches)
                every[where].append((errors, reliable))
                shares.append(f"{where} {100.0 * np.mean(errors < WITHIN_DB):.1f} %")
            constant, frequency = sweep_errors(drawn, found)
            kept += max(constant, frequency) <= WITHIN
            print(
                f"{number:3d}  {own.rate_hz} Hz, {own.duration_s:4.1f} s from {own.start_hz:4.1f}"
                f" to {own.stop_hz:5.0f} Hz, {len(drawn.levels_dbfs)} sweeps: rate constant"
                f" {constant:.1e}, frequency {frequency:.1e}; harmonics {', '.join(shares)}",
                flush=True,
            )
    print(f"sweeps within {100 * WITHIN:g} %: {kept} of {given.count}")
    for where, parts in every.items():
        errors, reliable = (np.concatenate([part[i] for part in parts]) for i in (0, 1))
        print(
            f"filters {where} the curvature: {100.0 * np.mean(errors < WITHIN_DB):.2f} % of"
            f" {len(errors)} harmonic values within {WITHIN_DB:g} dB (of reliable ones"
            f" {100.0 * np.mean(errors[reliable] < WITHIN_DB):.2f} %, and"
            f" {100.0 * np.mean(errors[reliable] > 1.5):.2f} % off by more than 1.5 dB); at least"
            f" {100.0 * SHARE:g} % are asked for"
        )


if __name__ == "__main__":
    main()
