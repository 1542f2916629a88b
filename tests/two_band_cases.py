"""Loudspeakers of two bands with a limiter each, played a ladder and a staircase whole.

The truth of each draw is known: crossover, thresholds, ratios, knees. What was found is held
against it here, without the package's own words or comparisons.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import scipy.fft
import scipy.signal
import soundfile
from limiter_cases import random_loudspeaker
from protected_loudspeaker import TrueLimiter, TrueLoudspeaker, high_band, low_band
from staircase_bench import Chain

from distsweep.pipeline import analyse
from distsweep.results import Limiter, Results
from distsweep.stimulus.bursts import lay_out_staircase, render_staircase
from distsweep.stimulus.layout import lay_out, render
from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.sidecar import sidecar_text

RATE_HZ = 48000
LOUDEST_DBFS = -4.0
ACTS = ("limiter", "compressor", "limiting", "clipping")


@dataclass(frozen=True)
class TwoBands:
    """A crossover and what each band's limiter does; None: that band has none.

    ``order`` is the crossover's, 4 or 2 (Linkwitz–Riley, whose branches are in phase once one
    of the second-order ones is turned over). ``excursion`` bends the driver behind it by the
    cube of its displacement, which falls with 12 dB an octave from 150 Hz on: 0.3 takes 0.8 dB
    of gain at low frequencies at −4 dBFS.
    """

    crossover_hz: float | None
    low: TrueLimiter | None
    high: TrueLimiter | None
    loudspeaker: TrueLoudspeaker
    step_db: float
    tones_hz: tuple[float, ...]
    seed: int
    order: int = 4
    excursion: float = 0.0

    def _branches(self, waveform: np.ndarray) -> list[np.ndarray]:
        assert self.crossover_hz is not None
        if self.order == 4:
            return [
                branch(waveform, RATE_HZ, self.crossover_hz) for branch in (low_band, high_band)
            ]
        parts = []
        for kind, sign in (("low", 1.0), ("high", -1.0)):
            sos = scipy.signal.butter(1, self.crossover_hz, btype=kind, fs=RATE_HZ, output="sos")
            parts.append(sign * scipy.signal.sosfilt(np.concatenate([sos, sos]), waveform))
        return parts

    def play(self, waveform: np.ndarray) -> np.ndarray:
        """Return what the loudspeaker gives; with no crossover ``low`` holds the whole band."""
        fed = self._protected(waveform)
        if self.excursion > 0.0:
            frequency_hz = scipy.fft.rfftfreq(len(fed), 1.0 / RATE_HZ)
            falling = 1.0 / (1.0 + (frequency_hz / 150.0) ** 2)
            moved = scipy.fft.irfft(scipy.fft.rfft(fed) * falling, len(fed))
            fed = fed - self.excursion * scipy.fft.irfft(
                scipy.fft.rfft(moved**3) / np.maximum(falling, 1e-3), len(fed)
            )
        return self.loudspeaker.play(fed, RATE_HZ)

    def _protected(self, waveform: np.ndarray) -> np.ndarray:
        if self.crossover_hz is None:
            return waveform if self.low is None else waveform * self.low.gain(waveform, RATE_HZ)
        held = [
            part if limiter is None else part * limiter.gain(part, RATE_HZ)
            for part, limiter in zip(self._branches(waveform), (self.low, self.high), strict=True)
        ]
        return np.asarray(held[0] + held[1])


def random_limiter(rng: np.random.Generator, threshold_dbfs: float) -> TrueLimiter:
    """Ratios of 3 and more, knees from none to 8 dB, attacks and releases of either kind."""
    return TrueLimiter(
        threshold_dbfs=threshold_dbfs,
        ratio=float(rng.choice([3.0, 4.0, 6.0, 10.0, 20.0, 1e9])),
        knee_db=float(rng.choice([0.0, 2.0, 4.0, 6.0, 8.0])),
        attack_ms=float(np.exp(rng.uniform(np.log(1.0), np.log(20.0)))),
        release_ms=float(np.exp(rng.uniform(np.log(80.0), np.log(500.0)))),
    )


def random_two_bands(seed: int, *, protected: str = "both") -> TwoBands:
    """Draw a loudspeaker; ``protected`` is "both", "low", "high", "whole" or "none"."""
    rng = np.random.default_rng(seed)
    crossover_hz = float(np.exp(rng.uniform(np.log(200.0), np.log(2500.0))))
    lower_dbfs = float(rng.uniform(-22.0, -14.0))
    apart_db = float(rng.uniform(2.0, 6.0))
    thresholds = rng.permutation([lower_dbfs, lower_dbfs + apart_db])
    low, high = (random_limiter(rng, float(t)) for t in thresholds)
    tones = [
        np.exp(rng.uniform(np.log(50.0), np.log(0.5 * crossover_hz))),
        0.35 * crossover_hz,
        crossover_hz * 2.0 ** rng.uniform(-1.0, 1.0),
        np.exp(rng.uniform(np.log(2.5 * crossover_hz), np.log(12000.0))),
    ]
    return TwoBands(
        crossover_hz=None if protected == "whole" else crossover_hz,
        low=low if protected in ("both", "low", "whole") else None,
        high=high if protected in ("both", "high") else None,
        loudspeaker=random_loudspeaker(rng),
        step_db=(3.0, 6.0)[seed % 2],
        tones_hz=tuple(sorted({round(float(f), 1) for f in tones})),
        seed=seed,
        order=int(rng.choice([4, 4, 2])),
        excursion=float(rng.uniform(0.0, 0.3)) * int(rng.integers(2)),
    )


def ladder_recipe(step_db: float, **more: Any) -> dict[str, Any]:
    rungs = round(36.0 / step_db) + 1
    return {
        "kind": "ladder", "name": "rungs", "rate_hz": RATE_HZ, "band_hz": [20, 20000],
        "sweep_s": 3.0, "levels_dbfs": [-40.0 + step_db * i for i in range(rungs)], "order": 5,
        "quiet_s": 1.5, "pause_s": 0.7, "return_rung": False, **more,
    }  # fmt: skip


def staircase_recipe(tones_hz: tuple[float, ...], **more: Any) -> dict[str, Any]:
    return {
        "kind": "staircase", "name": "steps", "rate_hz": RATE_HZ, "order": 5, "quiet_s": 1.5,
        "frequencies_hz": list(tones_hz), "levels_dbfs": {"from": -40, "to": -4, "step": 3},
        "hold_s": 0.3, "rest_s": 0.2, "release_s": 0.8, **more,
    }  # fmt: skip


def measure_session(
    folder: Path, played: list[tuple[dict[str, Any], Chain]], *, noise_rms: float, seed: int = 0
) -> Results:
    """Play each recipe through its chain, add noise, write the session and analyse it."""
    rng = np.random.default_rng(seed + 10**6)
    folder.mkdir(parents=True, exist_ok=True)
    lines = []
    for recipe, chain in played:
        steps = recipe["kind"] == "staircase"
        stimulus: Any = (lay_out_staircase if steps else lay_out)(parse_recipe(recipe, "recipe"))
        wave = (render_staircase if steps else render)(stimulus, stimulus.files[0])
        heard = chain(wave)
        heard = heard + rng.normal(0.0, noise_rms, len(heard))
        name = recipe["name"]
        (folder / f"{name}.json").write_text(sidecar_text(stimulus), encoding="utf-8")
        soundfile.write(folder / f"{name}.wav", heard, RATE_HZ, subtype="FLOAT")
        lines.append(
            f'[[takes]]\nposition = "axis"\nstimulus = "{name}.json"\nrecording = "{name}.wav"\n'
        )
    (folder / "session.toml").write_text("".join(lines), encoding="utf-8")
    return analyse(folder)


def measure_both(case: TwoBands, folder: Path) -> Results:
    """Play the ladder and the staircase of a draw, noise 50 dB below the loudest tone."""
    loudest_rms = float(np.abs(case.loudspeaker.response(np.array([500.0])))[0]) * 10 ** (
        LOUDEST_DBFS / 20.0
    )
    return measure_session(
        folder,
        [
            (ladder_recipe(case.step_db), case.play),
            (staircase_recipe(case.tones_hz), case.play),
        ],
        noise_rms=loudest_rms * 10 ** (-50.0 / 20.0) / np.sqrt(2.0),
        seed=case.seed,
    )


def threshold_bounds(limiter: Limiter) -> tuple[float, float]:
    """Return what a limiter says its threshold lies between; a stated one stands for 0.3 dB."""
    if limiter.threshold_dbfs is not None:
        return limiter.threshold_dbfs - 0.3, limiter.threshold_dbfs + 0.3
    low, high = limiter.threshold_low_dbfs, limiter.threshold_high_dbfs
    return (-np.inf if low is None else low), (np.inf if high is None else high)
