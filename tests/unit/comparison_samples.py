"""Ladders whose levels, harmonics and noise are known, for tests of comparisons."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from report_samples import sample_results, sample_take

from distsweep.results import Compression, HarmonicCurve, Results, Rung, Smoothed, SmoothedLevel
from distsweep.results.limits import CleanLevel

THIRDS_HZ = 1000.0 * 10.0 ** (np.arange(-15, 13) / 10.0)
DRIVES = (-40.0, -34.0, -28.0, -22.0, -16.0, -10.0)
ORDERS = (2, 3, 4)

Shape = Callable[[np.ndarray, float], np.ndarray]


def flat(frequency_hz: np.ndarray, drive_dbfs: float) -> np.ndarray:
    """A response of 100 dB SPL at full scale that nothing holds back."""
    return np.full(frequency_hz.shape, 100.0 + drive_dbfs)


def mild(order: int, at_full_scale_db: float) -> Shape:
    """A harmonic that grows by order − 1 dB per dB."""

    def level(frequency_hz: np.ndarray, drive_dbfs: float) -> np.ndarray:
        return np.full(frequency_hz.shape, at_full_scale_db + (order - 1) * drive_dbfs)

    return level


@dataclass
class Made:
    """What a made ladder plays: levels by frequency and drive, and noise at each frequency, dB."""

    fundamental: Shape = flat
    harmonics: dict[int, Shape] = field(
        default_factory=lambda: {2: mild(2, -30.0), 3: mild(3, -20.0), 4: mild(4, -20.0)}
    )
    noise_db: float = 10.0
    drives: tuple[float, ...] = DRIVES
    seed: int = 0

    def results(self, **more: Any) -> Results:
        """One take on the axis, with averages over thirds of an octave and intervals."""
        take = sample_take(points=8)
        rng = np.random.default_rng(self.seed)
        f = THIRDS_HZ
        rungs = [self._rung(take.rungs[0], drive, rng) for drive in self.drives]
        gain = [rung.fundamental_db - rung.drive_dbfs for rung in rungs]
        nothing = np.full(f.shape, np.nan)
        made = dataclasses.replace(
            take,
            frequency_hz=f,
            drive_shape_db=np.zeros(f.shape),
            rungs=rungs,
            compression=Compression(
                self.drives[0], [g - gain[0] for g in gain], nothing, nothing, nothing,
                [g - gain[0] - 0.05 for g in gain], [g - gain[0] + 0.05 for g in gain],
            ),
            clean_level=[], clean_level_third_octave=[], limiters=[], damage=[],
            return_check_db=None, spikes=[], at_spl=[], thd_advice=[], high_order_onset=[],
            decay_map=None, impulse=None,
        )  # fmt: skip
        whole = sample_results(made)
        return dataclasses.replace(whole, takes=[made], resonances=[], **more)

    def _rung(self, like: Rung, drive: float, rng: np.random.Generator) -> Rung:
        f = THIRDS_HZ
        level = self.fundamental(f, drive)
        noise = 10.0 ** (self.noise_db / 20.0)
        fundamental = _heard(10.0 ** (level / 20.0), noise, rng, re=1.0)
        amplitude = 10.0 ** (level / 20.0)
        harmonics = {
            order: _heard(amplitude * 10.0 ** (shape(f, drive) / 20.0), noise, rng, re=amplitude)
            for order, shape in self.harmonics.items()
        }
        thd = _summed(list(harmonics.values()))
        smoothed = Smoothed(3, f, fundamental, thd, harmonics)
        never = np.zeros(f.shape, dtype=bool)
        return dataclasses.replace(
            like, drive_dbfs=drive, clipped=False,
            spl_db=float(np.mean(fundamental.level_db[(f > 300.0) & (f < 3000.0)])),
            fundamental_db=fundamental.level_db, fundamental_low_db=fundamental.low_db,
            fundamental_high_db=fundamental.high_db,
            fundamental_floor_db=np.full(f.shape, self.noise_db),
            harmonics={
                order: HarmonicCurve(
                    one.level_db, one.level_db - 20.0, ~never, one.level_db, one.low_db,
                    one.high_db,
                )
                for order, one in harmonics.items()
            },
            thd_db=thd.level_db, thd_low_db=thd.low_db, thd_high_db=thd.high_db,
            thd_percent=100.0 * 10.0 ** (thd.level_db / 20.0),
            thd_re_total_percent=100.0 * 10.0 ** (thd.level_db / 20.0),
            thd_floor_db=thd.level_db - 20.0, thd_reliable=~never,
            orders_summed=np.full(f.shape, len(harmonics)),
            high_order_db=np.full(f.shape, -120.0), high_order_floor_db=np.full(f.shape, -120.0),
            smoothed=[smoothed], impulsive_db=np.full(f.shape, np.nan), thd_third_octave=None,
        )  # fmt: skip


def _heard(
    amplitude: np.ndarray, noise: float, rng: np.random.Generator, *, re: np.ndarray | float
) -> SmoothedLevel:
    """Amplitudes with Gaussian noise of one deviation, and ± 1.96 of it, dB re something."""
    heard = amplitude + rng.normal(0.0, noise, amplitude.shape)
    ends = [np.maximum(heard + side * 1.96 * noise, 0.0) for side in (-1.0, 0.0, 1.0)]
    with np.errstate(divide="ignore"):
        low, level, high = (20.0 * np.log10(end / re) for end in ends)
    return SmoothedLevel(level, low, high)


def _summed(parts: list[SmoothedLevel]) -> SmoothedLevel:
    with np.errstate(divide="ignore"):
        return SmoothedLevel(*(
            10.0 * np.log10(np.sum([10.0 ** (getattr(p, n) / 10.0) for p in parts], axis=0))
            for n in ("level_db", "low_db", "high_db")
        ))  # fmt: skip


def clean_level(level: list[float], low: list[float], high: list[float], state: list[str]) -> Any:
    """A highest clean level by 1 % THD and 1 dB at a few frequencies."""
    arrays = [np.array(part, dtype=float) for part in (level, low, high)]
    nothing = np.full(len(level), np.nan)
    f = THIRDS_HZ[: len(level)]
    return CleanLevel(1.0, 1.0, f, *arrays, nothing, nothing, nothing, state, [""] * len(level))
