"""Pairs of loudspeakers that are alike, or differ by one known change, as two sessions' results.

Two simulators that share nothing: the physical one of `rehearsal` ("physical"), and sums of
filter → polynomial → filter behind a limiter ("closed form"). Each recording has noise, a clock and
a slow drift of gain of its own.
"""

from __future__ import annotations

import dataclasses
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

import scipy.signal
from bench_clean_level import draw as draw_branches
from bench_clean_level import pink
from calibrated_session import analysed_session
from closed_form import Branch, cascade, high_pass, low_pass, peak, play
from conftest import RATE_HZ, Bench, ladder_recipe
from protected_loudspeaker import TrueLimiter, limited

from distsweep.rehearsal import Bench as Room
from distsweep.rehearsal import Limiter, Loudspeaker, measure
from distsweep.rehearsal.population import random_loudspeaker
from distsweep.rehearsal.resonances import Resonance
from distsweep.results import Results

CHANGES = ("alike", "mode", "h2", "threshold", "sensitivity")
SIMULATORS = ("physical", "closed form")
MODE_MOVES, H2_UP_DB, THRESHOLD_DOWN_DB, SENSITIVITY_DB = 0.02, 3.0, 1.0, 0.5
DRIFT_DB, CLOCK_PPM = 0.03, 40.0
"""Standard deviations of a gain's drift over a recording, and of a clock."""

PASCAL_PER_FS = 20.0


@dataclass(frozen=True)
class Pair:
    """A loudspeaker's sound as it is and with a change, before noise; and what was changed."""

    first: np.ndarray
    second: np.ndarray
    noise_rms: float
    truth: dict[str, Any]


def stimulus_bench(folder: Path) -> Bench:
    """Six rungs from −40 to −10 dBFS of 5 s, and the first once more."""
    recipe = ladder_recipe(
        name="pair", band_hz=[20, 20000], sweep_s=5.0, order=8, quiet_s=3.0, pause_s=1.0,
        levels_dbfs=[-40, -34, -28, -22, -16, -10], return_rung=True,
    )  # fmt: skip
    return Bench(folder, recipe)


def pair(seed: int, simulator: str, change: str, waveform: np.ndarray) -> Pair:
    """Simulate one pair; seeds are of the loudspeaker."""
    rng = np.random.default_rng([seed, SIMULATORS.index(simulator)])
    made = _physical if simulator == "physical" else _closed_form
    return made(rng, change, waveform)


def results_of(bench: Bench, heard: np.ndarray, noise_rms: float, seed: Any) -> Results:
    """Add noise, drift and a clock of a session's own, and analyse what was recorded."""
    rng = np.random.default_rng(seed)
    count = len(heard)
    ppm = float(rng.normal(0.0, CLOCK_PPM))
    at = np.arange(count) * (1.0 + ppm * 1e-6)
    moved = _resampled(heard, at)
    drift_db = rng.normal(0.0, DRIFT_DB) * np.linspace(-0.5, 0.5, count)
    offset_db = rng.normal(0.0, DRIFT_DB / 2.0)
    noise = pink(rng, count) if rng.uniform() < 0.5 else rng.standard_normal(count)
    noise *= noise_rms * 10.0 ** (rng.normal(0.0, 1.0) / 20.0) / np.std(noise)
    recorded = moved * 10.0 ** ((drift_db + offset_db) / 20.0) + noise
    return analysed_session(bench, recorded, PASCAL_PER_FS)


def _resampled(heard: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Return a signal at places between its samples: a cubic over a fourfold rate."""
    from scipy.interpolate import CubicSpline

    fine = scipy.signal.resample_poly(heard, 4, 1)
    spline = CubicSpline(np.arange(len(fine)), fine)
    return spline(np.clip(at * 4.0, 0.0, len(fine) - 1.0))


def _loudest(waveform: np.ndarray, heard: np.ndarray) -> float:
    return float(np.sqrt(np.mean(heard[np.abs(waveform) > 0.0] ** 2)))


def _physical(rng: np.random.Generator, change: str, waveform: np.ndarray) -> Pair:
    one = random_loudspeaker(rng)
    while not one.resonances:
        one = random_loudspeaker(rng)
    speaker = one.loudspeaker
    if change == "threshold" or rng.uniform() < 0.6:
        limiter = Limiter(
            threshold_dbfs=float(rng.uniform(-22.0, -14.0)),
            ratio=float(rng.uniform(4.0, 20.0)),
            knee_db=float(rng.uniform(0.0, 6.0)),
        )
        speaker = dataclasses.replace(speaker, limiter=limiter)
    room = dataclasses.replace(
        one.bench, noise_spl_db=-np.inf, pascal_per_fs=PASCAL_PER_FS, clips=False
    )
    other, truth, gain = _changed_physical(rng, speaker, change)

    def heard(of: Loudspeaker) -> np.ndarray:
        return _measured(waveform, of, room)

    first = heard(speaker)
    second = first * gain if other is speaker else heard(other)
    noise = 20e-6 * 10.0 ** (one.bench.noise_spl_db / 20.0) / PASCAL_PER_FS
    return Pair(first, second, noise, truth)


def _measured(waveform: np.ndarray, speaker: Loudspeaker, room: Room) -> np.ndarray:
    heard = measure(waveform, rate_hz=RATE_HZ, loudspeaker=speaker, bench=room)
    return np.asarray(heard)


def _changed_physical(
    rng: np.random.Generator, speaker: Loudspeaker, change: str
) -> tuple[Loudspeaker, dict[str, Any], float]:
    """Return the loudspeaker with a change, what it is, and a gain of the sound alone."""
    sign = float(rng.choice((-1.0, 1.0)))
    if change == "mode":
        at = int(rng.integers(len(speaker.resonances)))
        old = speaker.resonances[at]
        new = dataclasses.replace(old, frequency_hz=old.frequency_hz * (1.0 + sign * MODE_MOVES))
        modes: tuple[Resonance, ...] = tuple(
            new if n == at else mode for n, mode in enumerate(speaker.resonances)
        )
        truth = {"frequency_hz": old.frequency_hz, "moved_hz": new.frequency_hz, "q": old.q,
                 "kind": old.kind, "lift_db": old.lift_db}  # fmt: skip
        return dataclasses.replace(speaker, resonances=modes), truth, 1.0
    if change == "h2":
        tweeter = speaker.tweeter
        louder = dataclasses.replace(tweeter, second_db=tweeter.second_db + H2_UP_DB)
        truth = {"from_hz": 1.5 * speaker.crossover.frequency_hz, "up_db": H2_UP_DB}
        return dataclasses.replace(speaker, tweeter=louder), truth, 1.0
    if change == "threshold":
        assert speaker.limiter is not None
        limiter = dataclasses.replace(
            speaker.limiter, threshold_dbfs=speaker.limiter.threshold_dbfs - THRESHOLD_DOWN_DB
        )
        truth = {"threshold_dbfs": speaker.limiter.threshold_dbfs, "ratio": speaker.limiter.ratio}
        return dataclasses.replace(speaker, limiter=limiter), truth, 1.0
    if change == "sensitivity":
        gain = 10.0 ** (sign * SENSITIVITY_DB / 20.0)
        truth = {"change_db": sign * SENSITIVITY_DB}
        if rng.uniform() < 0.5:
            return speaker, truth | {"where": "behind everything"}, gain
        amplified = dataclasses.replace(speaker, volt_per_fs=speaker.volt_per_fs * gain)
        return amplified, truth | {"where": "amplifier"}, 1.0
    return speaker, {}, 1.0


def _closed_form(rng: np.random.Generator, change: str, waveform: np.ndarray) -> Pair:
    branches = draw_branches(rng)
    modes = [(float(10 ** rng.uniform(2.4, 3.3)), float(rng.uniform(8.0, 50.0)),
              float(rng.uniform(4.0, 12.0))) for _ in range(int(rng.integers(1, 3)))]  # fmt: skip
    octave_hz = float(10 ** rng.uniform(1.9, 3.5))
    limiter = None
    if change == "threshold" or rng.uniform() < 0.6:
        limiter = TrueLimiter(
            float(rng.uniform(-22.0, -14.0)), float(rng.uniform(2.0, 20.0)),
            float(rng.uniform(0.0, 6.0)), float(rng.uniform(2.0, 20.0)),
            float(rng.uniform(50.0, 300.0)),
        )  # fmt: skip
    below_hz = float(rng.uniform(800.0, 3000.0)) if rng.uniform() < 0.5 else None
    sign = float(rng.choice((-1.0, 1.0)))

    def heard(
        modes: list[tuple[float, float, float]], limiter: TrueLimiter | None, *, octave: bool
    ) -> np.ndarray:
        fed = waveform if limiter is None else limited(
            waveform, RATE_HZ, limiter, below_hz=below_hz)  # fmt: skip
        colour = cascade(*(peak(*mode) for mode in modes))
        whole = [Branch(b.pre, b.coefficients, cascade(b.post, colour)) for b in branches]
        if octave:
            whole = _h2_raised(whole, octave_hz)
        return play(whole, fed, RATE_HZ)

    first = heard(modes, limiter, octave=False)
    second, truth = first, {}
    if change == "mode":
        f, q, lift = modes[0]
        moved = f * (1.0 + sign * MODE_MOVES)
        second = heard([(moved, q, lift), *modes[1:]], limiter, octave=False)
        truth = {"frequency_hz": f, "moved_hz": moved, "q": q, "lift_db": lift, "kind": "radiated"}
    elif change == "h2":
        second = heard(modes, limiter, octave=True)
        truth = {"low_hz": octave_hz / np.sqrt(2.0), "high_hz": octave_hz * np.sqrt(2.0),
                 "up_db": H2_UP_DB}  # fmt: skip
    elif change == "threshold":
        assert limiter is not None
        lower = dataclasses.replace(
            limiter, threshold_dbfs=limiter.threshold_dbfs - THRESHOLD_DOWN_DB
        )
        second = heard(modes, lower, octave=False)
        truth = {"threshold_dbfs": limiter.threshold_dbfs, "ratio": limiter.ratio,
                 "below_hz": below_hz}  # fmt: skip
    elif change == "sensitivity":
        second = first * 10.0 ** (sign * SENSITIVITY_DB / 20.0)
        truth = {"change_db": sign * SENSITIVITY_DB, "where": "behind everything"}
    gain = 10.0 ** (rng.uniform(-3.0, 3.0) / 20.0) * 0.25 / np.max(np.abs(first))
    start = len(first) // 2
    rms = _loudest(waveform[start:], gain * first[start:])
    noise = rms * 10.0 ** (-rng.uniform(50.0, 70.0) / 20.0)
    return Pair(gain * first, gain * second, noise, truth)


def _h2_raised(branches: list[Branch], centre_hz: float) -> list[Branch]:
    """Add a square of every branch's band-passed copy: its second order 3 dB up in an octave."""
    more = 10.0 ** (H2_UP_DB / 20.0) - 1.0
    octave = cascade(
        high_pass(centre_hz / np.sqrt(2.0), 0.7), high_pass(centre_hz / np.sqrt(2.0), 0.7),
        low_pass(centre_hz * np.sqrt(2.0), 0.7), low_pass(centre_hz * np.sqrt(2.0), 0.7),
    )  # fmt: skip
    at_middle = abs(complex(octave(np.array([centre_hz]))[0]))
    raised = list(branches)
    for branch in branches:
        second = branch.coefficients[1] if len(branch.coefficients) > 1 else 0.0
        if second:

            def size(frequency_hz: np.ndarray, pre: Any = branch.pre) -> np.ndarray:
                # Only the magnitude of the window, so that old and new products add in phase.
                window = np.sqrt(np.abs(octave(frequency_hz)) / at_middle)
                return np.asarray(pre(frequency_hz) * window)

            raised.append(Branch(size, (0.0, more * second), branch.post))
    return raised
