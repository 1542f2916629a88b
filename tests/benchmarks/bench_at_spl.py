"""THD at a stated level, read between rungs of 6 dB, against the closed form at the exact drive.

    python tests/benchmarks/bench_at_spl.py [SEED] [--count 20]

Each loudspeaker is filter → curve → filter; the curve is a polynomial of random signs, a saturation
(tanh), a hard clip on top of a polynomial, a limiter before or after a polynomial, or a polynomial
that rattles from some amplitude on. Harmonics at a drive are those of one period of the curve's
output, by its Fourier sum, and exact to rounding.
Rungs hold these numbers without noise, so that all that is off is what lies between rungs. Levels
are drawn between the lowest and the highest played, in both meanings. It prints how far THD is off
where the growths of the step and of both its neighbours differ by less than 0.5 dB per dB, and the
share of values whose interval holds the truth, there and elsewhere.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from closed_form import Response, cascade, high_pass, low_pass, peak

from distsweep.results.at_spl import BAND, EACH_FREQUENCY, AtSpl
from distsweep.results.between_rungs import HARDLY_RISES_DB_PER_DB
from distsweep.results.ladder import HarmonicCurve, Rung
from distsweep.results.rung_step import UNEVEN_DB_PER_DB
from distsweep.results.stated_level import state_level

FREQUENCY_HZ = np.geomspace(30.0, 9000.0, 60)
LEVEL_BAND_HZ = (300.0, 3000.0)
DRIVES_DBFS = np.arange(-40.0, -3.0, 6.0)
ORDERS = range(2, 8)
SPL_OF_ONE_DB = 110.0
SAMPLES = 512
KINDS = ("polynomial", "saturating", "clipping", "limiter before", "limiter after", "rattling")

Curve = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Loudspeaker:
    """pre(f) → curve → post(f), with a limiter that knows the level of its input."""

    kind: str
    pre: Response
    curve: Curve
    post: Response
    limiter: Callable[[np.ndarray], np.ndarray] = np.ones_like
    """Gain at an amplitude, before the curve."""

    def amplitudes(self, drive_dbfs: np.ndarray) -> np.ndarray:
        """Harmonics' amplitudes from order 1 on, drives to each frequency: ``(N, …, F)``."""
        wanted = 10.0 ** (np.asarray(drive_dbfs, dtype=float)[..., None] / 20.0)
        inner = wanted * self.limiter(wanted) * np.abs(self.pre(FREQUENCY_HZ))
        return self._at(inner)

    def at(self, drives_dbfs: np.ndarray) -> np.ndarray:
        """Harmonics where each frequency has a drive of its own, ``(N, F)``."""
        wanted = 10.0 ** (drives_dbfs / 20.0)
        return self._at(wanted * self.limiter(wanted) * np.abs(self.pre(FREQUENCY_HZ)))

    def _at(self, inner: np.ndarray) -> np.ndarray:
        turn = np.cos(2.0 * np.pi * np.arange(SAMPLES) / SAMPLES)
        spectrum = np.fft.rfft(self.curve(inner[..., None] * turn), axis=-1)
        found = [2.0 / SAMPLES * np.abs(spectrum[..., n]) * np.abs(self.post(n * FREQUENCY_HZ))
                 for n in (1, *ORDERS)]  # fmt: skip
        return np.array(found)


def draw(rng: np.random.Generator, kind: str) -> Loudspeaker:
    """A box's high-pass and mild resonances around a curve of a kind."""
    pre = cascade(
        high_pass(rng.uniform(30, 80), rng.uniform(0.5, 1.1)),
        peak(10 ** rng.uniform(1.8, 3.8), rng.uniform(1, 6), rng.uniform(-6, 8)),
    )
    post = cascade(
        peak(10 ** rng.uniform(2.2, 3.8), rng.uniform(1, 6), rng.uniform(-4, 5)),
        low_pass(rng.uniform(8e3, 30e3), 0.6),
    )
    strength = np.exp(rng.uniform(np.log(0.02), np.log(0.5)))
    signs = rng.choice([-1.0, 1.0], size=4)
    shares = np.exp(rng.uniform(np.log(0.01), 0.0, size=4)) * [1.0, 0.5, 0.2, 0.2]
    a2, a3, a4, a5 = strength * signs * shares
    a3 = -abs(a3)

    def polynomial(x: np.ndarray) -> np.ndarray:
        return x * (1.0 + x * (a2 + x * (a3 + x * (a4 + x * a5))))

    corner = 10.0 ** (rng.uniform(-30.0, -6.0) / 20.0)
    if kind == "saturating":
        offset = rng.uniform(-0.5, 0.5)
        return Loudspeaker(kind, pre, lambda x: corner * np.tanh(x / corner + offset), post)
    if kind == "clipping":
        return Loudspeaker(kind, pre, lambda x: np.clip(polynomial(x), -corner, corner), post)
    if kind.startswith("limiter"):
        ratio = rng.choice([2.0, 4.0, 20.0, 1e6])
        limits = lambda a: np.minimum(1.0, (corner / a) ** (1.0 - 1.0 / ratio))  # noqa: E731
        if kind == "limiter before":
            return Loudspeaker(kind, pre, polynomial, post, limits)

        # The whole of what the curve gives is turned down by its own level.
        def turned(x: np.ndarray) -> np.ndarray:
            return x * limits(np.maximum(np.max(np.abs(x), axis=-1, keepdims=True), 1e-9))

        return Loudspeaker(kind, pre, lambda x: turned(polynomial(x)), post)
    if kind == "rattling":  # from some amplitude on, in one direction
        return Loudspeaker(
            kind, pre, lambda x: polynomial(x) + 0.05 * np.maximum(x - corner, 0.0), post
        )
    return Loudspeaker(kind, pre, polynomial, post)


def decibels(ratio: np.ndarray) -> np.ndarray:
    with np.errstate(divide="ignore"):
        return 20.0 * np.log10(ratio)


def thd_db(amplitudes: np.ndarray) -> np.ndarray:
    return decibels(np.sqrt(np.sum(amplitudes[1:] ** 2, axis=0)) / amplitudes[0])


def fundamental_db(amplitudes: np.ndarray) -> np.ndarray:
    return SPL_OF_ONE_DB + decibels(amplitudes[0])


def band_db(amplitudes: np.ndarray) -> np.ndarray:
    band = (LEVEL_BAND_HZ[0] <= FREQUENCY_HZ) & (LEVEL_BAND_HZ[1] >= FREQUENCY_HZ)
    return 10.0 * np.log10(np.mean(10.0 ** (fundamental_db(amplitudes)[..., band] / 10.0), axis=-1))


def rungs_of(loudspeaker: Loudspeaker) -> list[Rung]:
    """The ladder, without noise and without intervals of its own."""
    nothing = np.zeros(len(FREQUENCY_HZ))
    yes = np.ones(len(FREQUENCY_HZ), dtype=bool)
    rungs = []
    for drive in DRIVES_DBFS:
        found = loudspeaker.amplitudes(drive)
        harmonics = {
            order: HarmonicCurve(decibels(found[order - 1] / found[0]), nothing, yes, nothing)
            for order in ORDERS
        }
        rungs.append(
            Rung(float(drive), float(band_db(found)), 0.0, False, fundamental_db(found), nothing,
                 harmonics, thd_db(found), nothing, nothing, nothing, yes,
                 nothing.astype(np.int64), nothing, nothing)
        )  # fmt: skip
    return rungs


@dataclass(frozen=True)
class Course:
    """Levels of a loudspeaker over finely spaced drives, ``(D,)`` and ``(D, F)``."""

    drives_dbfs: np.ndarray
    fundamental_db: np.ndarray
    band_db: np.ndarray

    @classmethod
    def of(cls, loudspeaker: Loudspeaker) -> Course:
        fine = np.linspace(DRIVES_DBFS[0], DRIVES_DBFS[-1], 1 + 20 * int(np.ptp(DRIVES_DBFS)))
        found = [loudspeaker.amplitudes(drives) for drives in np.array_split(fine, 24)]
        amplitudes = np.concatenate(found, axis=1)
        return cls(fine, fundamental_db(amplitudes), band_db(amplitudes))

    def drives_at(self, spl_db: float, meaning: str) -> np.ndarray:
        """The first drive that gives a level at each frequency, NaN where none played does."""
        level = self.fundamental_db
        if meaning == BAND:
            level = np.repeat(self.band_db[:, None], level.shape[1], axis=1)
        found = np.full(level.shape[1], np.nan)
        for f in range(level.shape[1]):
            passed = np.flatnonzero((level[:-1, f] <= spl_db) & (spl_db <= level[1:, f]))
            if len(passed) and level[0, f] <= spl_db:
                i = int(passed[0])
                rise = level[i + 1, f] - level[i, f]
                share = (spl_db - level[i, f]) / rise if rise > 0.0 else 0.0
                found[f] = self.drives_dbfs[i] + share * (
                    self.drives_dbfs[i + 1] - self.drives_dbfs[i]
                )
        return found


def evenly(rungs: list[Rung], drives_dbfs: np.ndarray, meaning: str) -> np.ndarray:
    """Where THD and output grow alike, by drive, in a drive's step and in both its neighbours.

    Where the output hardly rises the first drive counts, and which that is a ladder cannot tell.
    """
    level = [
        np.full(len(FREQUENCY_HZ), rung.spl_db) if meaning == BAND else rung.fundamental_db
        for rung in rungs
    ]
    curves = [np.array([rung.thd_db for rung in rungs]), np.array(level)]
    even = np.zeros(len(FREQUENCY_HZ), dtype=bool)
    for f, drive in enumerate(drives_dbfs):
        step = int(np.searchsorted(DRIVES_DBFS, drive)) - 1
        if 1 <= step <= len(DRIVES_DBFS) - 3:
            steps = [np.diff(curve[:, f])[step - 1 : step + 2] / 6.0 for curve in curves]
            even[f] = max(np.ptp(growth) for growth in steps) < UNEVEN_DB_PER_DB
            even[f] &= steps[1][1] >= HARDLY_RISES_DB_PER_DB
    return even


def measure(
    loudspeaker: Loudspeaker,
    rungs: list[Rung],
    course: Course,
    spl_db: float,
    meaning: str,
    count: Counter,
    worst: dict[str, float],
) -> None:
    """Read one level of one loudspeaker, and add what is off to the counts."""
    found: AtSpl = state_level(FREQUENCY_HZ, rungs, spl_db, meaning)
    drives = course.drives_at(spl_db, meaning)
    stated = np.isfinite(found.thd_high_db)
    count["levels"] += len(drives)
    count["stated"] += int(np.sum(stated))
    count["stated, not given by any drive"] += int(np.sum(stated & np.isnan(drives)))
    there = stated & np.isfinite(drives)
    amplitudes = loudspeaker.at(np.where(there, drives, DRIVES_DBFS[0]))
    truth = thd_db(amplitudes)
    even = evenly(rungs, drives, meaning) & there
    error = np.abs(found.thd_db - truth)
    if even.any():
        worst["even"] = max(worst.get("even", 0.0), float(np.max(error[even])))
        worst[loudspeaker.kind] = max(worst.get(loudspeaker.kind, 0.0), float(np.max(error[even])))
    tiny = 1e-3  # dB: what true drives and Fourier sums are rounded to
    holds = (found.thd_low_db - tiny <= truth) & (truth <= found.thd_high_db + tiny)
    for name, flags in (("even", even), ("elsewhere", there & ~even)):
        count[name] += int(np.sum(flags))
        count[f"{name} holds"] += int(np.sum(holds & flags))
        count[f"{name} at most"] += int(np.sum(flags & np.isneginf(found.thd_low_db)))
        for f in np.flatnonzero(flags & ~holds):
            count[f"missed: {loudspeaker.kind}"] += 1
            MISSED.append((loudspeaker.kind, meaning, spl_db, float(FREQUENCY_HZ[f]),
                           float(drives[f]), float(truth[f]), float(found.thd_low_db[f]),
                           float(found.thd_high_db[f])))  # fmt: skip
        width = (found.thd_high_db - found.thd_low_db)[flags & np.isfinite(found.thd_low_db)]
        WIDTHS.setdefault(name, []).extend(width)
    for order in ORDERS:
        true = decibels(amplitudes[order - 1] / amplitudes[0])
        part = found.harmonics[order]
        with np.errstate(invalid="ignore"):
            held = (part.low_db - tiny <= true) & (true <= part.high_db + tiny)
        above = there & (true > -120.0)
        count["harmonics"] += int(np.sum(above))
        count["harmonics hold"] += int(np.sum(above & held))
    inside = (found.drive_low_dbfs - tiny <= drives) & (drives <= found.drive_high_dbfs + tiny)
    count["drives hold"] += int(np.sum(inside & there))


MISSED: list[tuple[object, ...]] = []
WIDTHS: dict[str, list[float]] = {}


def run(seed: int, loudspeakers: int) -> tuple[Counter, dict[str, float]]:
    """Return the counts and the largest errors over some loudspeakers, ten levels each."""
    rng = np.random.default_rng(seed)
    count: Counter = Counter()
    worst: dict[str, float] = {}
    for number in range(loudspeakers):
        loudspeaker = draw(rng, KINDS[number % len(KINDS)])
        rungs, course = rungs_of(loudspeaker), Course.of(loudspeaker)
        low, high = rungs[0].spl_db, max(rung.spl_db for rung in rungs)
        for spl_db in rng.uniform(low, high, size=5):
            for meaning in (BAND, EACH_FREQUENCY):
                measure(loudspeaker, rungs, course, float(spl_db), meaning, count, worst)
    return count, worst


def main() -> None:
    """Print the counts."""
    parser = argparse.ArgumentParser()
    parser.add_argument("seed", type=int, nargs="?", default=None)
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--missed", type=int, default=0, help="list so many that were missed")
    given = parser.parse_args()
    seed = np.random.SeedSequence(given.seed).entropy
    count, worst = run(seed, given.count)
    print(f"seed {seed}: {given.count} loudspeakers")
    for name, value in sorted(count.items()):
        print(f"  {name:32s} {value:6d}")
    for name, value in worst.items():
        print(f"  largest error, even growth, {name:16s} {value:.3f} dB")
    for name, widths in WIDTHS.items():
        if widths:
            print(f"  interval's width {name}: median {np.median(widths):.2f} dB,"
                  f" 9 in 10 under {np.percentile(widths, 90):.2f}")  # fmt: skip
    for one in MISSED[: given.missed]:
        print("  missed:", *(f"{v:.2f}" if isinstance(v, float) else v for v in one))


if __name__ == "__main__":
    main()
