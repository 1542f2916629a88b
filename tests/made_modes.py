"""Results of loudspeakers whose modes are known in closed form, with noise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from distsweep.results import (
    Conditions,
    Device,
    HarmonicCurve,
    PossibleCause,
    RecordedCalibration,
    Resonance,
    Results,
    Rung,
    Take,
)

DRIVES_DBFS = (-22.0, -16.0, -10.0)


@dataclass(frozen=True)
class MadeMode:
    """A mode of the second order and what it adds at its frequency, re what is beside it."""

    frequency_hz: float
    q: float = 25.0
    kind: str = "radiated"
    share: complex = 2.0

    def motion(self, frequency_hz: np.ndarray) -> np.ndarray:
        ratio = frequency_hz / self.frequency_hz
        return 1.0 / (1.0 + 1j * self.q * (ratio - 1.0 / ratio))

    def listed(self, *, confidence: float = 0.9, causes: Sequence[str] = ()) -> Resonance:
        return Resonance(
            self.frequency_hz, self.q, self.kind, confidence, 8.0, None,
            possible_causes=[PossibleCause(name, self.frequency_hz, 0.0, 2.0, 1.0)
                             for name in causes],
        )  # fmt: skip


def made_results(
    modes: Sequence[MadeMode],
    *,
    listed: Sequence[Resonance] | None = None,
    rng: np.random.Generator | None = None,
    noise_db: float = -60.0,
    comb_s: float | None = None,
    intervals: bool = True,
    from_hz: float = 20.0,
    position: str = "axis",
    **conditions: Any,
) -> Results:
    """Return results of a loudspeaker with such modes.

    The response is flat but for what is radiated, the second harmonic lies 50, the third 55 dB
    below it, growing as they do. ``noise_db`` is the noise's level re the fundamental at −10 dBFS,
    of every order; none without ``rng``. ``comb_s`` is a reflection's delay, 10 dB below.
    """
    f = from_hz * 2.0 ** (np.arange(int(48 * np.log2(20000.0 / from_hz)) + 1) / 48.0)
    rungs = [
        _rung(f, modes, drive, rng, noise_db=noise_db - (drive + 10.0), comb_s=comb_s,
              intervals=intervals)
        for drive in DRIVES_DBFS
    ]  # fmt: skip
    take = Take(position, "made", "ladder", 0.0, "dB SPL", f, [from_hz, 20000.0], 0.0 * f, rungs)
    found = [mode.listed() for mode in modes] if listed is None else list(listed)
    return Results(
        Device("Halvard 4"),
        Conditions(**conditions),
        RecordedCalibration(),
        [take],
        found,
        None,
        [],
    )


def _linear(f: np.ndarray, modes: Sequence[MadeMode], comb_s: float | None) -> np.ndarray:
    heard = np.ones(len(f), dtype=complex)
    for mode in modes:
        if mode.kind == "radiated":
            heard = heard + mode.share * mode.motion(f)
    return heard if comb_s is None else heard * (1.0 + 0.3 * np.exp(-2j * np.pi * f * comb_s))


def _rung(
    f: np.ndarray,
    modes: Sequence[MadeMode],
    drive_dbfs: float,
    rng: np.random.Generator | None,
    *,
    noise_db: float,
    comb_s: float | None,
    intervals: bool,
) -> Rung:
    noise = 10.0 ** (noise_db / 20.0)

    def measured(true: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return the power, freed of noise, and the ends of its interval, in dB."""
        heard = true
        if rng is not None:
            heard = true + noise * np.sqrt(0.5) * (rng.standard_normal(len(f))
                                                   + 1j * rng.standard_normal(len(f)))  # fmt: skip
        power = np.abs(heard) ** 2 - (noise**2 if rng is not None else 0.0)
        half = 1.96 * np.sqrt(2.0 * np.maximum(power, 0.0) * noise**2 + noise**4)
        with np.errstate(divide="ignore", invalid="ignore"):
            parts = [
                10.0 * np.log10(np.where(p > 0.0, p, np.nan))
                for p in (power, power - half, np.maximum(power, 0.0) + half)
            ]
        parts[1] = np.where(np.isnan(parts[1]), -np.inf, parts[1])
        return parts[0], parts[1], parts[2]

    fundamental = measured(_linear(f, modes, comb_s))
    linear_db = 20.0 * np.log10(np.abs(_linear(f, modes, comb_s)))
    harmonics = {}
    for order in (2, 3):
        own = 10.0 ** ((-45.0 - 5.0 * order + (order - 1) * (drive_dbfs + 10.0)) / 20.0)
        product = np.full(len(f), own, dtype=complex)
        for mode in modes:
            if mode.kind == "excited":
                product = product + own * mode.share * mode.motion(f) ** order
        heard_db = 20.0 * np.log10(np.abs(_linear(order * f, modes, comb_s)))
        shift_db = np.where(order * f <= 20000.0, heard_db, np.nan)
        level, low, high = (
            part - fundamental[0] for part in measured(product * _linear(order * f, modes, comb_s))
        )
        beyond = np.isnan(shift_db)
        level, low, high = (np.where(beyond, np.nan, part) for part in (level, low, high))
        ends = {"low_db": low, "high_db": high} if intervals else {}
        harmonics[order] = HarmonicCurve(
            level, np.full(len(f), noise_db) - fundamental[0], np.isfinite(level),
            level - shift_db + linear_db, **ends,
        )  # fmt: skip
    nothing, to_spl_db = np.full(len(f), np.nan), 100.0 + drive_dbfs
    fundamental_db, low_db, high_db = (part + to_spl_db for part in fundamental)
    ends = {"fundamental_low_db": low_db, "fundamental_high_db": high_db} if intervals else {}
    return Rung(
        drive_dbfs, to_spl_db, drive_dbfs, False, fundamental_db,
        np.full(len(f), noise_db) + to_spl_db, harmonics,
        nothing, nothing, nothing, nothing, np.zeros(len(f), dtype=bool),
        np.zeros(len(f), dtype=int), nothing, nothing, **ends,
    )  # fmt: skip
