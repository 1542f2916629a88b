"""Loudspeakers and filters drawn at random, for the benchmark of what filters cost.

Filters are made here by scipy from analog prototypes, with nothing of the package's formulas.
"""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

import scipy.fft
import scipy.signal
from bench_clean_level import draw as draw_branches
from closed_form import play
from conftest import RATE_HZ
from protected_loudspeaker import TrueLimiter, limited

from distsweep.rehearsal import Bench as Room
from distsweep.rehearsal import Limiter, demo_bench, demo_loudspeaker, measure
from distsweep.rehearsal.population import random_loudspeaker

PASCAL_PER_FS = 20.0
PROTECTIONS = ("none", "limiter", "limiter", "clipping")
MOST_GAIN_DB, LEAST_GAIN_DB = 9.0, 1.0
"""Filters of a set lift some frequency by no more, and change the level by no less somewhere."""


@dataclass(frozen=True)
class Drawn:
    """A loudspeaker: what it makes of a waveform, and its kind; noise is added by others."""

    kind: str
    protection: str
    plays: Callable[[np.ndarray], np.ndarray]
    truth: dict[str, Any]


def draw_loudspeaker(rng: np.random.Generator, number: int) -> Drawn:
    """Draw one by turns: physical and closed form, with a limiter, clipping, or nothing."""
    protection = PROTECTIONS[(number // 2) % len(PROTECTIONS)]
    if number % 2:
        return _closed_form(rng, protection)
    if number % 16 == 0:
        speaker, room = dataclasses.replace(demo_loudspeaker(), heating=None), demo_bench()
        return _physical(
            "demo", "limiter", speaker, room, {"limiter": str(speaker.limiter), "release_ms": 300.0}
        )
    one = random_loudspeaker(rng)
    speaker, truth = one.loudspeaker, {}
    if protection == "limiter":
        limiter = Limiter(
            threshold_dbfs=float(rng.uniform(-24.0, -14.0)), ratio=float(rng.uniform(2.0, 20.0)),
            knee_db=float(rng.uniform(0.0, 6.0)), release_ms=float(rng.uniform(50.0, 300.0)),
        )  # fmt: skip
        speaker = dataclasses.replace(speaker, limiter=limiter)
        truth = {"limiter": str(limiter), "release_ms": limiter.release_ms}
    elif protection == "clipping":
        clip_dbfs = float(rng.uniform(-20.0, -13.0))
        clip_v = np.sqrt(2.0) * speaker.volt_per_fs * 10.0 ** (clip_dbfs / 20.0)
        speaker, truth = dataclasses.replace(speaker, clip_v=clip_v), {"clip_dbfs": clip_dbfs}
    return _physical("physical", protection, speaker, one.bench, truth)


def _physical(
    kind: str, protection: str, speaker: Any, bench: Room, truth: dict[str, Any]
) -> Drawn:
    room = dataclasses.replace(
        bench,
        noise_spl_db=-np.inf,
        hum_spl_db=(),
        pascal_per_fs=PASCAL_PER_FS,
        clips=False,
        reflections=(),  # between two places of the grid a tone meets another place of a comb
    )

    def plays(waveform: np.ndarray) -> np.ndarray:
        heard = measure(waveform, rate_hz=RATE_HZ, loudspeaker=speaker, bench=room)
        return np.asarray(heard)[: len(waveform)]

    return Drawn(kind, protection, plays, truth)


def _closed_form(rng: np.random.Generator, protection: str) -> Drawn:
    branches, truth = draw_branches(rng), {}
    limiter, below_hz, ceiling = None, None, np.inf
    if protection == "limiter":
        limiter = TrueLimiter(
            float(rng.uniform(-24.0, -14.0)), float(rng.uniform(2.0, 20.0)),
            float(rng.uniform(0.0, 6.0)), float(rng.uniform(2.0, 20.0)),
            float(rng.uniform(50.0, 300.0)),
        )  # fmt: skip
        below_hz = float(rng.uniform(800.0, 3000.0)) if rng.uniform() < 0.5 else None
        truth = {
            "limiter": str(limiter), "below_hz": below_hz, "release_ms": limiter.release_ms,
        }  # fmt: skip
    elif protection == "clipping":
        ceiling = 10.0 ** (float(rng.uniform(-20.0, -13.0)) / 20.0)
        truth = {"clip_dbfs": 20.0 * np.log10(ceiling)}

    def plays(waveform: np.ndarray) -> np.ndarray:
        fed = waveform
        if limiter is not None:
            fed = limited(waveform, RATE_HZ, limiter, below_hz=below_hz)
        if np.isfinite(ceiling):
            fed = _clipped(fed, ceiling)
        return 0.1 * play(branches, fed, RATE_HZ)

    return Drawn("closed form", protection, plays, truth)


def _clipped(waveform: np.ndarray, ceiling: float) -> np.ndarray:
    """Clip at eight times the rate, so that little folds back."""
    count, times = len(waveform), 8
    length = scipy.fft.next_fast_len(count, real=True)
    length += length % 2
    spectrum = scipy.fft.rfft(waveform, length)
    fine = times * scipy.fft.irfft(spectrum, times * length)
    folded = scipy.fft.rfft(np.clip(fine, -ceiling, ceiling))[: length // 2 + 1] / times
    return scipy.fft.irfft(folded, length)[:count]


def draw_filters(rng: np.random.Generator) -> list[dict[str, Any]]:
    """Draw one to four filters as a file's tables hold them, until they lift by no more than 9 dB.

    The limit keeps most of the drives that reach the loudspeaker inside what was measured.
    """
    grid_hz = np.geomspace(20.0, 20000.0, 300)
    while True:
        found = [_filter(rng) for _ in range(int(rng.integers(1, 5)))]
        gain = sum(20.0 * np.log10(np.abs(_response(one, grid_hz))) for one in found)
        if np.max(gain) <= MOST_GAIN_DB and np.max(np.abs(gain)) >= LEAST_GAIN_DB:
            return found


def _filter(rng: np.random.Generator) -> dict[str, Any]:
    kind = str(rng.choice(["peaking", "peaking", "low shelf", "high shelf", "passes"]))
    if kind == "passes":
        kind = str(rng.choice(["high-pass", "low-pass"]))
        ends = (15.0, 80.0) if kind == "high-pass" else (3000.0, 18000.0)
        one = {"kind": kind, "frequency_hz": _between(rng, *ends)}
        if rng.uniform() < 0.5:
            return one | {"order": int(rng.integers(1, 5))}
        return one | {"q": _between(rng, 0.5, 1.4)}
    gain_db = float(rng.choice((-1.0, 1.0)) * rng.uniform(1.0, 9.0))
    if kind == "peaking":
        return {"kind": kind, "frequency_hz": _between(rng, 30.0, 12000.0), "gain_db": gain_db,
                "q": _between(rng, 0.5, 8.0)}  # fmt: skip
    ends = (40.0, 400.0) if kind == "low shelf" else (1500.0, 10000.0)
    one = {"kind": kind, "frequency_hz": _between(rng, *ends), "gain_db": gain_db}
    if rng.uniform() < 0.5:
        return one | {"slope": float(rng.uniform(0.4, 1.0))}
    return one | {"q": _between(rng, 0.4, 1.0)}


def _between(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def filtered(filters: list[dict[str, Any]], waveform: np.ndarray) -> np.ndarray:
    """Return a waveform through filters in series."""
    for one in filters:
        waveform = scipy.signal.lfilter(*_coefficients(one), waveform)
    return waveform


def _response(one: dict[str, Any], grid_hz: np.ndarray) -> np.ndarray:
    return np.asarray(scipy.signal.freqz(*_coefficients(one), worN=grid_hz, fs=RATE_HZ)[1])


def _coefficients(one: dict[str, Any]) -> tuple[np.ndarray, np.ndarray]:
    """Transform the cookbook's analog prototype, or scipy's Butterworth filter."""
    kind, f = one["kind"], one["frequency_hz"]
    if "order" in one:
        sort = "high" if kind == "high-pass" else "low"
        return scipy.signal.butter(one["order"], f, btype=sort, fs=RATE_HZ)
    root = 10.0 ** (one.get("gain_db", 0.0) / 40.0)
    if "slope" in one:
        one_over_q = np.sqrt((root + 1.0 / root) * (1.0 / one["slope"] - 1.0) + 2.0)
    else:
        one_over_q = 1.0 / one["q"]
    side = np.sqrt(root) * one_over_q
    numerator, denominator = {
        "peaking": ([1.0, root * one_over_q, 1.0], [1.0, one_over_q / root, 1.0]),
        "low shelf": (
            [root * c for c in (1.0, side, root)], [root, side, 1.0],
        ),
        "high shelf": (
            [root * c for c in (root, side, 1.0)], [1.0, side, root],
        ),
        "high-pass": ([1.0, 0.0, 0.0], [1.0, one_over_q, 1.0]),
        "low-pass": ([1.0], [1.0, one_over_q, 1.0]),
    }[kind]  # fmt: skip
    # The prototype's 1 rad/s comes to lie at f: scipy's bilinear(fs) is s = 2·fs·(z−1)/(z+1).
    return scipy.signal.bilinear(numerator, denominator, fs=0.5 / np.tan(np.pi * f / RATE_HZ))
