"""A population of simulated loudspeakers, measured and searched, and scored against the truth.

Whether a resonance *ought* to be found is settled without the analysis's own idea of a peak:
the loudspeaker is measured once more without noise and hum, and once without that resonance.
Its peak counts where, in some harmonic, the level stands 6 dB above the median of the octave
around it, 6 dB above what it would be without the resonance, and 6 dB above the noise floor.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from unittest.mock import patch

import numpy as np
from conftest import Bench, ladder_recipe

from distsweep import pipeline
from distsweep.analysis.resonance.curves import SearchedTake
from distsweep.rehearsal import measure
from distsweep.rehearsal.loudspeaker import Loudspeaker
from distsweep.rehearsal.population import RandomLoudspeaker, random_loudspeaker
from distsweep.rehearsal.resonances import Resonance as TrueResonance
from distsweep.results import Resonance, Take

LEVELS_DBFS = (-34.0, -28.0, -22.0, -16.0, -10.0)
ELIGIBLE_DB = 6.0
SAME_WITHIN = 0.02  # farther off than 2 % is another frequency: twice the error allowed
CALLED_FROM = 0.5


@dataclass(frozen=True)
class Measured:
    """One loudspeaker, what was measured of it, and by how much its peaks stand out."""

    seed: int
    truth: RandomLoudspeaker
    take: Take
    searched: SearchedTake
    resonances: list[Resonance]
    standing_db: list[float]

    @property
    def eligible(self) -> list[TrueResonance]:
        """Resonances that ought to be found."""
        pairs = zip(self.truth.resonances, self.standing_db, strict=True)
        return [mode for mode, standing in pairs if standing >= ELIGIBLE_DB]


class Population:
    """The benches that every loudspeaker is measured on: five rungs, and one without noise."""

    def __init__(
        self, folder: Path, *, sweep_s: float = 6.0, band_hz: tuple[float, float] = (40.0, 16000.0)
    ) -> None:
        common = {
            "band_hz": list(band_hz), "sweep_s": sweep_s, "order": 5, "pause_s": 0.7,
        }  # fmt: skip
        whole, single = folder / "whole", folder / "single"
        whole.mkdir(parents=True)
        single.mkdir()
        recipe = ladder_recipe(name="five", levels_dbfs=list(LEVELS_DBFS), quiet_s=2.0, **common)
        self.whole = Bench(whole, recipe)
        loudest = ladder_recipe(name="one", levels_dbfs=[LEVELS_DBFS[-1]], quiet_s=0.7, **common)
        self.single = Bench(single, loudest)

    def measured(self, seed: int, *, settled: bool = True) -> Measured:
        """Draw a seed's loudspeaker, measure and analyse it, and find what it ought to show.

        The latter takes most of the time; where it is not ``settled``, every height is NaN.
        """
        one = random_loudspeaker(np.random.default_rng(seed))
        heard = measure(
            self.whole.waveform, rate_hz=48000, loudspeaker=one.loudspeaker, bench=one.bench,
            seed=seed,
        )  # fmt: skip
        with patch.object(pipeline, "find_resonances", wraps=pipeline.find_resonances) as seen:
            results = self.whole.analyse(heard)
        standing = [math.nan] * len(one.resonances)
        if settled:
            standing = self._standing_db(one, results.takes[0])
        return Measured(
            seed,
            one,
            results.takes[0],
            seen.call_args.args[0][0],
            results.resonances,
            standing,
        )

    def _standing_db(self, one: RandomLoudspeaker, take: Take) -> list[float]:
        if not one.resonances:
            return []
        complete = self._quietly(one, one.loudspeaker)
        return [
            standing_db(mode, complete, self._quietly(one, without(one.loudspeaker, mode)), take)
            for mode in one.resonances
        ]

    def _quietly(self, one: RandomLoudspeaker, loudspeaker: Loudspeaker) -> Take:
        bench = replace(one.bench, noise_spl_db=-np.inf, hum_spl_db=())
        heard = measure(self.single.waveform, rate_hz=48000, loudspeaker=loudspeaker, bench=bench)
        return self.single.analyse(heard).takes[0]


def without(loudspeaker: Loudspeaker, mode: TrueResonance) -> Loudspeaker:
    """The same loudspeaker without one of its resonances."""
    return replace(
        loudspeaker, resonances=tuple(other for other in loudspeaker.resonances if other != mode)
    )


def standing_db(mode: TrueResonance, complete: Take, lacking: Take, noisy: Take) -> float:
    """The least of the three heights, in the order that shows the resonance best."""
    f = complete.frequency_hz
    best = -math.inf
    for order, curve in complete.rungs[0].harmonics.items():
        at_hz = mode.frequency_hz / (order if mode.kind == "radiated" else 1)
        near = np.abs(np.log2(f / at_hz)) <= max(1 / 48, 0.43 / mode.q)
        around = np.abs(np.log2(f / at_hz)) <= 0.5
        if not near.any() or not np.isfinite(curve.level_db[near]).all():
            continue
        top = int(np.flatnonzero(near)[np.argmax(curve.level_db[near])])
        level = float(curve.level_db[top])
        heights = (
            level - float(np.nanmedian(curve.level_db[around])),
            level - float(lacking.rungs[0].harmonics[order].level_db[top]),
            level - float(noisy.rungs[-1].harmonics[order].floor_db[top]),
        )
        best = max(best, min(heights))
    return best


@dataclass(frozen=True)
class Score:
    """What became of a population."""

    eligible: int
    found: int
    right_kind: int
    errors_percent: np.ndarray
    called: np.ndarray
    real: np.ndarray
    missed: list[str]
    false: list[str]

    @property
    def false_calls(self) -> int:
        """Called at 0.5 or more, and not there, or of the other kind."""
        return int(np.sum((self.called >= CALLED_FROM) & ~self.real))

    def text(self) -> str:
        """A few lines for the reader of a benchmark."""
        errors = self.errors_percent
        lines = [f"false at confidence {CALLED_FROM} or more: {self.false_calls}"]
        if self.eligible:
            lines.append(
                f"eligible {self.eligible}, found {self.found} ({self.found / self.eligible:.1%}),"
                f" kind right {self.right_kind} ({self.right_kind / max(1, self.found):.1%})"
            )
        if self.found:
            lines += [
                f"frequency: median {np.median(errors):.3f} %, within 1 %"
                f" {np.mean(errors <= 1.0):.1%}, largest {np.max(errors):.2f} %",
            ]
        for k, (count, mean, real) in enumerate(fifths(self.called, self.real)):
            lines.append(
                f"confidence {k / 5:.1f}-{(k + 1) / 5:.1f}: {count:4d} called,"
                f" mean {mean:.3f}, real {real:.3f}"
            )
        return "\n".join(lines + self.missed + self.false)


def score(measured: Iterable[Measured]) -> Score:
    """Compare what was called with what is there."""
    eligible = found = right = 0
    errors: list[float] = []
    called: list[float] = []
    real: list[bool] = []
    missed: list[str] = []
    false: list[str] = []
    for one in measured:
        for resonance in one.resonances:
            hit = is_real(resonance.frequency_hz, resonance.kind, one.truth.resonances)
            called.append(resonance.confidence)
            real.append(hit)
            if not hit and resonance.confidence >= CALLED_FROM:
                false.append(
                    f"  false: seed {one.seed}, {resonance.kind} {resonance.frequency_hz:.0f} Hz at"
                    f" {resonance.confidence:.2f}; there are {_named(one.truth.resonances)}"
                )
        for mode in one.eligible:
            eligible += 1
            calls = [
                r
                for r in one.resonances
                if r.confidence >= CALLED_FROM and matching(r.frequency_hz, [mode])
            ]
            if not calls:
                missed.append(f"  missed: seed {one.seed}, {_named([mode])}")
                continue
            found += 1
            right += calls[0].kind == mode.kind
            errors.append(100.0 * abs(calls[0].frequency_hz / mode.frequency_hz - 1.0))
    return Score(
        eligible,
        found,
        right,
        np.array(errors),
        np.array(called),
        np.array(real, dtype=bool),
        missed,
        false,
    )


def fifths(called: Iterable[float], real: Iterable[bool]) -> list[tuple[int, float, float]]:
    """For each fifth of the confidence: how many, their mean confidence, the share real."""
    confidence, truth = np.array(list(called), dtype=float), np.array(list(real), dtype=bool)
    which = np.minimum((confidence * 5.0).astype(int), 4)
    return [
        (
            int(np.sum(which == k)),
            float(np.mean(confidence[which == k])) if np.any(which == k) else math.nan,
            float(np.mean(truth[which == k])) if np.any(which == k) else math.nan,
        )
        for k in range(5)
    ]


def is_real(frequency_hz: float, kind: str, modes: Sequence[TrueResonance]) -> bool:
    """Tell whether a call has its resonance: of the same kind, at that frequency."""
    return any(mode.kind == kind for mode in matching(frequency_hz, modes))


def matching(frequency_hz: float, modes: Sequence[TrueResonance]) -> list[TrueResonance]:
    """True resonances at a frequency."""
    return [m for m in modes if abs(math.log(frequency_hz / m.frequency_hz)) <= SAME_WITHIN]


def _named(modes: Sequence[TrueResonance]) -> str:
    return (
        ", ".join(f"{m.kind} {m.frequency_hz:.0f} Hz Q {m.q:.0f} {m.lift_db:.1f} dB" for m in modes)
        or "none"
    )
