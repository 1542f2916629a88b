"""Results for tests of the verdict: made part by part, or drawn at random by hypothesis."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np
from hypothesis import strategies as st
from report_samples import DAMAGE, NOMINAL_HZ, alter, sample_results, sample_take

from distsweep.results import (
    CleanLevel,
    Limiter,
    LimiterAgreement,
    Resonance,
    Results,
    Staircase,
    Take,
    Thermal,
    Warning_,
)
from distsweep.words.resonance_notes import NOTES

KINDS = ("limiter", "compressor", "clipping", "limiting")
STATES = ("reached", "bracketed", "not reached", "below", "contradicted", "unknown")
OFFSET_DB = 102.0
"""What a made clean level is above its drive, calibrated."""


def resonance(frequency_hz: float, confidence: float, kind: str = "radiated") -> Resonance:
    return Resonance(frequency_hz, 25.0, kind, confidence, 7.0, None, summary="It is one.")


def clean_level(states: list[str], drives: list[float], *, calibrated: bool = True) -> CleanLevel:
    """A clean level by 1 % and 1 dB over thirds of an octave; the states are taken in turn."""
    f = NOMINAL_HZ.astype(float)
    state = [states[i % len(states)] for i in range(f.size)]
    at = np.array([drives[i % len(drives)] for i in range(f.size)])
    reached, between = np.array([s == "reached" for s in state]), np.array([
        s == "bracketed" for s in state])  # fmt: skip
    lower, upper = (np.array([s == name for s in state]) for name in ("not reached", "below"))
    drive = np.where(reached | lower, at, np.nan)
    low = np.where(reached, at - 0.3, np.where(between, at - 3.0, np.where(lower, at, np.nan)))
    high = np.where(reached, at + 0.3, np.where(between, at + 3.0, np.where(upper, at, np.nan)))
    shift = OFFSET_DB if calibrated else -12.0
    by = ["thd" if s in ("reached", "bracketed", "below") else "" for s in state]
    return CleanLevel(1.0, 1.0, f, drive + shift, low + shift, high + shift, drive, low, high,
                      state, by)  # fmt: skip


def ladder(limiters: list[Limiter] | None = None, **made: Any) -> Take:
    """A short ladder with limiters (by default: judged, and none acts)."""
    take = sample_take(points=60, **made)
    alter(take, limiters=[Limiter("none")] if limiters is None else limiters)
    return take


def with_clean(take: Take, states: list[str], drives: list[float]) -> Take:
    calibrated = take.level_unit == "dB SPL"
    alter(take, clean_level_third_octave=[clean_level(states, drives, calibrated=calibrated)])
    return take


def tone(frequency_hz: float, limiter: Limiter | None, *, sags: bool = False) -> Staircase:
    drive = np.arange(-32.0, -7.0, 3.0)
    nothing, flags = np.full(drive.shape, np.nan), np.ones(drive.shape, dtype=bool)
    return Staircase(
        frequency_hz=frequency_hz, drive_dbfs=drive, level_db=drive + OFFSET_DB,
        level_floor_db=drive * 0.0 + 20.0, level_reliable=flags, gain_change_db=drive * 0.0,
        falling_level_db=drive + OFFSET_DB, thd_db=nothing, thd_percent=nothing,
        thd_floor_db=nothing, thd_reliable=~flags, orders_summed=0, harmonics={},
        waveform_crest_db=nothing, residual_db=nothing, residual_floor_db=nothing,
        residual_crest_db=nothing, clipped=~flags, limiter=limiter,
        thermal=Thermal(2.0, 1.2, 8.0, 60.0, 0.1) if sags else None,
    )  # fmt: skip


def staircase(rows: list[Staircase], *, position: str = "axis", unit: str = "dB SPL") -> Take:
    base = sample_take(points=20)
    return dataclasses.replace(
        base, position=position, kind="staircase", stimulus="steps.json", rungs=[],
        compression=None, return_check_db=None, level_unit=unit, staircase=rows, band_hz=[],
    )  # fmt: skip


def agreement(frequency_hz: float, state: str, reason: str, ends: list[float]) -> LimiterAgreement:
    return LimiterAgreement(
        "axis", "ladder-48k.json", "steps.json", frequency_hz, state, reason, "", "limiting",
        "limiter", [-20.0, -10.0], list(ends), -10.0, -3.0, -3.0, 0,
    )  # fmt: skip


def _limiters(draw: Any) -> list[Limiter]:
    found = []
    for _ in range(draw(st.integers(0, 3))):
        kind = draw(st.sampled_from((*KINDS, "none")))
        low_hz = draw(st.floats(20.0, 5000.0))
        ends = sorted(draw(st.floats(-40.0, -4.0)) for _ in range(2))
        known = draw(st.sampled_from(("both", "low", "high", "neither", "stated")))
        band = [low_hz, min(low_hz * draw(st.floats(1.1, 100.0)), 20000.0)]
        found.append(Limiter(
            kind, band_hz=band if draw(st.booleans()) else None,
            threshold_dbfs=ends[0] if known == "stated" else None,
            threshold_low_dbfs=ends[0] if known in ("both", "low") else None,
            threshold_high_dbfs=ends[1] if known in ("both", "high") else None,
        ))  # fmt: skip
    return found


def _ladder(draw: Any, position: str) -> Take:
    calibrated = draw(st.booleans())
    count = draw(st.integers(1, 6))
    clipped = tuple(draw(st.lists(st.integers(0, count - 1), max_size=2)))
    take = ladder(
        _limiters(draw), position=position, calibrated=calibrated, clipped=clipped,
        levels_dbfs=tuple(-40.0 + 6.0 * k for k in range(count)),
    )  # fmt: skip
    if draw(st.booleans()):
        states = draw(st.lists(st.sampled_from(STATES), min_size=1, max_size=7))
        drives = draw(st.lists(st.floats(-40.0, -4.0), min_size=1, max_size=5))
        with_clean(take, states, drives)
    damage = draw(st.lists(st.sampled_from(DAMAGE), max_size=4))
    moved = draw(st.sampled_from((None, -0.1, 0.9, -2.0)))
    alter(take, damage=damage, return_check_db=moved, partial=draw(st.booleans()))
    return take


def _staircase(draw: Any, position: str) -> Take:
    rows = []
    for f in draw(st.lists(st.sampled_from((63.0, 100.0, 400.0, 4000.0)), min_size=1, unique=True)):
        kind = draw(st.sampled_from((*KINDS, "none", "thermal", "")))
        start = draw(st.sampled_from((None, -20.0, -9.0)))
        limiter = Limiter(kind, threshold_dbfs=start) if kind else None
        rows.append(tone(f, limiter, sags=kind == "thermal"))
    return staircase(rows, position=position, unit=draw(st.sampled_from(("dB SPL", "dBFS"))))


@dataclass(repr=False)
class Drawn:
    """Results that were drawn: hypothesis would write out each of their numbers."""

    results: Results


@st.composite
def any_results(draw: Any) -> Drawn:
    """Results of a session, of which any part may be missing."""
    position = draw(st.sampled_from(("axis", "port")))
    takes = []
    if draw(st.booleans()):
        takes.append(_ladder(draw, position))
    if draw(st.booleans()):
        takes.append(_staircase(draw, position))
    found = [
        resonance(draw(st.floats(30.0, 9000.0)), draw(st.floats(0.0, 1.0)))
        for _ in range(draw(st.integers(0, 7)))
    ]
    notes = ("no_ladder", "nothing_to_search", "noise_hides_harmonics", "no_resonance_found")
    codes = ("gain_moved", "clipped", "hum", "improbable_full_scale", "uncalibrated", "incomplete")
    base = sample_results() if not takes else sample_results(*takes)
    noted = draw(st.lists(st.sampled_from(notes), max_size=2))
    return Drawn(dataclasses.replace(
        base,
        takes=takes,
        resonances=found,
        resonance_notes=[NOTES[code]() for code in noted],
        limiter_agreement=[
            agreement(f, draw(st.sampled_from(("agree", "differ"))),
                      draw(st.sampled_from(("kind", "threshold"))), [-18.0, -18.0])
            for f in draw(st.lists(st.sampled_from((63.0, 400.0)), unique=True))
        ],
        warnings=[Warning_(code, "It is so.", take=draw(st.sampled_from((None, position))))
                  for code in draw(st.lists(st.sampled_from(codes), max_size=5))],
    ))  # fmt: skip
