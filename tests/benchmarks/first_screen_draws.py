"""Random loudspeakers for the page's first screen, and what is true of each.

Truth comes from steady tones without noise, read by sums over whole periods: neither the sweeps nor
the program's analysis have part in it.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np

from distsweep.rehearsal import Bench, Heating, Limiter, Loudspeaker, measure
from distsweep.rehearsal.population import random_loudspeaker
from distsweep.rehearsal.resonances import Resonance

KINDS = ("limiter", "none", "compressor", "clipping", "limiter")
"""What holds the loudspeakers back, in turn; the rest is drawn."""

LOUDEST_DBFS, QUIETEST_DBFS = -10.0, -40.0
"""The ends of the ladder; the population is made for drives up to −10 dBFS."""

CLEAN_AT_HZ = (63.0, 250.0, 1000.0, 8000.0)
INSIDE_A_THIRD = (0.93, 1.0, 1.07)
"""The page states clean levels over thirds of an octave: the truth is that of tones in each."""

THD_PERCENT, LOSS_DB = 1.0, 1.0
RATE_HZ = 48000
TONE_S, SETTLED_S, READ_S = 0.9, 0.55, 0.3
ONSET_DB = 0.5

_SYLLABLES = ("bram", "lor", "wick", "tas", "en", "dur", "mel", "quil", "ost", "fen", "gar", "hul")


@dataclass(frozen=True)
class Draw:
    """A loudspeaker, its bench, its invented name, and what was built in to hold it back."""

    seed: int
    name: str
    kind: str
    loudspeaker: Loudspeaker
    bench: Bench
    resonances: tuple[Resonance, ...]


def draw(seed: int, kind: str) -> Draw:
    """Draw a loudspeaker of the population and give it something that holds it back."""
    generator = np.random.default_rng(seed)
    one = random_loudspeaker(generator)
    changes: dict[str, Any] = {}
    if kind == "limiter":
        changes["limiter"] = Limiter(
            threshold_dbfs=float(generator.uniform(-24.0, -14.0)),
            ratio=float(generator.uniform(6.0, 20.0)),
            knee_db=float(generator.uniform(0.0, 6.0)),
        )
    elif kind == "compressor":
        changes["limiter"] = Limiter(
            threshold_dbfs=float(generator.uniform(-28.0, -18.0)),
            ratio=float(generator.uniform(1.8, 3.5)),
            knee_db=float(generator.uniform(0.0, 6.0)),
        )
    elif kind == "clipping":
        # Peak voltage of a sine at the drive from which on it clips.
        drive_dbfs = float(generator.uniform(-19.0, -12.0))
        peak_v = one.loudspeaker.volt_per_fs * np.sqrt(2.0) * 10.0 ** (drive_dbfs / 20.0)
        changes["clip_v"] = float(peak_v)
    if generator.uniform() < 0.3:
        changes["heating"] = Heating(resistance_k_per_w=3.0, time_constant_s=8.0)
    words = ["".join(generator.choice(_SYLLABLES, 2)).capitalize() for _ in range(2)]
    name = f"{words[0]} {words[1]} {generator.integers(2, 9)}"
    loudspeaker = dataclasses.replace(one.loudspeaker, **changes)
    return Draw(seed, name, kind, loudspeaker, one.bench, one.resonances)


def truth(one: Draw) -> dict[str, Any]:
    """Return what is true of a loudspeaker, as it is written to ``truth.json``."""
    band = _limited_band(one)
    return {
        "seed": one.seed,
        "name": one.name,
        "limit": {
            "kind": one.kind,
            "threshold_dbfs": _threshold_dbfs(one),
            "ratio": one.loudspeaker.limiter.ratio if one.loudspeaker.limiter else None,
            "crossover_hz": one.loudspeaker.crossover.frequency_hz,
            **band,
        },
        "resonances": [
            {"frequency_hz": r.frequency_hz, "q": r.q, "kind": r.kind, "lift_db": r.lift_db}
            for r in sorted(one.resonances, key=lambda r: r.frequency_hz)
        ],
        "clean_up_to_db_spl": {
            f"{f:g}": [_clean_db(one, f * ratio) for ratio in INSIDE_A_THIRD] for f in CLEAN_AT_HZ
        },
        "clean_means": f"highest with THD of {THD_PERCENT:g} % or a loss of {LOSS_DB:g} dB at most",
    }


def _threshold_dbfs(one: Draw) -> float | None:
    speaker = one.loudspeaker
    if one.kind == "clipping":
        return float(20.0 * np.log10(speaker.clip_v / speaker.volt_per_fs / np.sqrt(2.0)))
    return speaker.limiter.threshold_dbfs if speaker.limiter else None


def _limited_band(one: Draw) -> dict[str, Any]:
    """Return where the gain at the loudest drive is less, and the output at which that starts.

    The start's levels are what the quietest drive gives, raised to the threshold: below it the
    loudspeaker is all but linear. They are those of the places that lose half the most or more:
    the median and the tenth and ninetieth percentile, as a response is not flat.
    """
    f = 1000.0 * 10.0 ** (np.arange(-16, 13) / 10.0)
    quiet = np.array([_tone(one, x, QUIETEST_DBFS)[0] for x in f])
    loud = np.array([_tone(one, x, LOUDEST_DBFS)[0] for x in f])
    loss = quiet + LOUDEST_DBFS - QUIETEST_DBFS - loud
    lost = loss >= ONSET_DB
    threshold = _threshold_dbfs(one)
    starts = quiet[loss >= 0.5 * loss.max()] + (threshold or 0.0) - QUIETEST_DBFS
    known = threshold is not None and lost.any()
    percentiles = [round(float(x), 1) for x in np.percentile(starts, [10, 50, 90])]
    levels = {f"{x:.0f}": round(float(y), 1) for x, y in zip(f, loud, strict=True)}
    return {
        "loses_half_a_decibel_at_hz": [round(float(x), 1) for x in f[lost]],
        "loses_half_the_most_at_hz": [round(float(x), 1) for x in f[loss >= 0.5 * loss.max()]],
        "largest_loss_db": float(loss.max()),
        "starts_at_db_spl_10_50_90_percent": percentiles if known else None,
        "loudest_db_spl_at_hz": levels,
    }


def _clean_db(one: Draw, frequency_hz: float) -> dict[str, float | str]:
    """Return the level at which a tone passes a limit, to a quarter of a decibel."""
    quiet_db, quiet_thd = _tone(one, frequency_hz, QUIETEST_DBFS)

    def past(drive_dbfs: float) -> str:
        level_db, thd_percent = _tone(one, frequency_hz, drive_dbfs)
        loss_db = quiet_db + drive_dbfs - QUIETEST_DBFS - level_db
        if thd_percent > THD_PERCENT:
            return "thd"
        return "compression" if loss_db > LOSS_DB else ""

    if quiet_thd > THD_PERCENT:
        return {"below_db": quiet_db, "by": "thd"}
    if not past(LOUDEST_DBFS):
        return {"at_least_db": _tone(one, frequency_hz, LOUDEST_DBFS)[0]}
    low, high = QUIETEST_DBFS, LOUDEST_DBFS
    while high - low > 0.25:
        middle = (low + high) / 2.0
        low, high = (low, middle) if past(middle) else (middle, high)
    return {"level_db": _tone(one, frequency_hz, low)[0], "drive_dbfs": low, "by": past(high)}


def _tone(one: Draw, frequency_hz: float, drive_dbfs: float) -> tuple[float, float]:
    """Return level in dB SPL and THD in percent of a steady tone, up to 20 kHz."""
    bench = dataclasses.replace(one.bench, noise_spl_db=-np.inf, hum_spl_db=(), tail_s=0.0)
    periods = round(READ_S * frequency_hz)
    count = round(periods * RATE_HZ / frequency_hz)
    f_hz = periods * RATE_HZ / count
    angle = 2.0 * np.pi * f_hz * np.arange(round(TONE_S * RATE_HZ)) / RATE_HZ
    heard = measure(
        10.0 ** (drive_dbfs / 20.0) * np.sin(angle),
        rate_hz=RATE_HZ, loudspeaker=one.loudspeaker, bench=bench, position="axis",
    )  # fmt: skip
    first = round(SETTLED_S * RATE_HZ)
    spectrum = np.abs(np.fft.rfft(heard[first : first + count])) * 2.0 / count
    orders = np.arange(1, int(20000.0 / f_hz) + 1) * periods
    lines = spectrum[orders]
    level_db = 20.0 * np.log10(lines[0] * bench.pascal_per_fs / 20e-6)
    return float(level_db), float(100.0 * np.sqrt(np.sum(lines[1:] ** 2)) / lines[0])
