"""What ``bench_damage.py`` takes for true in rooms, against a route that shares no recording.

    python tests/benchmarks/check_room_truth.py SEED [--count 10]

There it is what the analysis shows of the sound in silence. Here each harmonic of a closed-form
loudspeaker, times the room's response, is made an impulse response, and its part inside the
windows that the house promises (``WindowSpans``: 24 periods before the direct sound, 64 after) is
transformed by its definition. Printed is by how much the two differ at the loudest rung, of values
down to −70 dB that silence knows.
"""

from __future__ import annotations

import argparse
import math
import os
import sys
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import scipy.fft

sys.path.insert(0, str(Path(__file__).parents[1]))

from closed_form import harmonic_products
from conftest import RATE_HZ
from damage_draws import ORDER, Draw, random_draw, truth_of

from distsweep.analysis.sweep.windows import WindowSpans

LENGTH = 2**18
"""Samples of a response: 5.5 s, in which every room has died away."""


def in_windows(response: np.ndarray, spans: WindowSpans, radiated_hz: np.ndarray) -> np.ndarray:
    """Return a response as windows show it at rising frequencies, by the transform's definition.

    Each octave's window is laid over the response at a rate that its frequencies need, freed
    gradually of what lies above.
    """
    octave = np.log2(radiated_hz / radiated_hz[0])
    lower = np.minimum(octave.astype(int), max(0, math.ceil(octave[-1]) - 1))
    blend = octave - lower
    shown = np.zeros(len(radiated_hz), dtype=complex)
    for number in range(int(lower[-1]) + 2):
        share = (lower == number) * (1.0 - blend) + (lower + 1 == number) * blend
        points = np.flatnonzero(share)
        if not len(points):
            continue
        length, rate_hz, kept = LENGTH, float(RATE_HZ), response
        while rate_hz > 128.0 * spans.lowest_hz * 2.0**number:
            length, rate_hz = length // 2, rate_hz / 2.0
        if rate_hz < RATE_HZ:
            place = np.arange(length // 2 + 1) * (2.0 / length)
            kept = response[: length // 2 + 1] * np.clip(2.0 - 2.0 * place, 0.0, 1.0)
        impulse = scipy.fft.irfft(kept, length)
        before_s, after_s = spans.span_s(number)
        place = np.arange(-int(before_s * rate_hz) - 1, int(after_s * rate_hz) + 2)
        held = impulse[place % length] * spans.window(number, place / rate_hz)
        turns = np.exp(-2j * np.pi * radiated_hz[points][:, None] * (place / rate_hz))
        shown[points] += share[points] * (turns @ held)
    return shown


def shown_by(one: Draw, order: int, radiated_hz: np.ndarray, drive: float) -> np.ndarray:
    """Return |harmonic| in the room, through the windows, at radiated frequencies."""
    assert one.branches is not None and one.room is not None
    played_hz = np.arange(LENGTH // 2 + 1) * (RATE_HZ / LENGTH) / order
    made = harmonic_products(one.branches, played_hz, drive, order)[order - 1]
    sweep = one.bench.stimulus.sweep
    nyquist_hz = RATE_HZ / 2.0
    made *= np.clip(
        (played_hz - sweep.start_hz) / (sweep.full_from_hz - sweep.start_hz), 0.0, 1.0
    ) * np.clip(
        (sweep.stop_hz - played_hz) / (sweep.stop_hz - sweep.full_to_hz), 0.0, 1.0
    ) * (order * played_hz < nyquist_hz)  # fmt: skip
    response = one.gain * made * scipy.fft.rfft(one.room, LENGTH)
    pause_s = one.bench.stimulus.recipe.pause_s
    spans = WindowSpans(order, float(radiated_hz[0]), sweep.rate_constant_s, pause_s)
    return np.abs(in_windows(response, spans, radiated_hz))


def main() -> None:
    """Print the differences a draw, and of all."""
    parser = argparse.ArgumentParser()
    parser.add_argument("seed", type=int)
    parser.add_argument("--count", type=int, default=10)
    given = parser.parse_args()
    every, number = [], -1
    while len(every) < given.count:
        number += 1
        one = random_draw(np.random.default_rng([given.seed, number]), room=True)
        if one.branches is None:
            continue
        take = one.analyse(one.heard).takes[0]
        truth, known = (part[-1] for part in truth_of(one, take))
        drive = 10 ** (one.drives_dbfs[-1] / 20)
        fundamental = shown_by(one, 1, take.frequency_hz, drive)
        away = [np.abs(20.0 * np.log10(fundamental) - truth[0])[known[0]]]
        for order in range(2, ORDER + 1):
            inside = order * take.frequency_hz <= 20000.0
            level = shown_by(one, order, order * take.frequency_hz[inside], drive)
            with np.errstate(divide="ignore"):
                level_db = 20.0 * np.log10(level / fundamental[inside])
            true_db = truth[order - 1, inside]
            counts = known[order - 1, inside] & (true_db > -70.0)
            away.append(np.abs(level_db - true_db)[counts])
        every.append(np.concatenate(away))
        print(f"{number:3d} {one.text}: {told(every[-1])}")
    print(f"all: {told(np.concatenate(every))}")


def told(away_db: np.ndarray) -> str:
    half, most, worst = np.percentile(away_db, [50, 99, 100])
    return (
        f"{len(away_db)} values, median {half:.3f} dB apart, 99 % within {most:.2f},"
        f" worst {worst:.2f}"
    )


if __name__ == "__main__":
    main()
