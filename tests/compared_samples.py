"""Comparisons of invented results: differences are worked out, all that is said of them is made up.

The findings, conditions and resonances below judge nothing: they are there to be drawn and written.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from report_samples import NOMINAL_HZ, sample_results, sample_take, with_intervals

from distsweep.comparison.compare import compare
from distsweep.comparison.record import Comparison, Finding, ResonanceChange
from distsweep.results import CleanLevel, Limiter, Results, Rung, Take

FINDINGS = [
    Finding("B's second harmonic is 3.1 dB higher from 400 to 800 Hz.", "h2", 400.0, 800.0,
            3.1, 2.4, 3.8, position="axis", drives_dbfs=[-16.0, -10.0]),
    Finding("B is 0.5 dB louder.", "fundamental", None, None, 0.5, 0.3, 0.7, position="axis"),
    Finding("B's resonance at 312 Hz lies 2.0 % higher.", "resonance", 300.0, 325.0, None, None,
            None, change_percent=2.0),
]  # fmt: skip

RESONANCES = [
    ResonanceChange("same", "radiated", frequency_hz=1250.0, other_hz=1251.0, q=18.0, other_q=19.0),
    ResonanceChange("moved", "excited", frequency_hz=306.2, other_hz=312.3, q=41.0, other_q=40.0,
                    change_percent=2.0, low_percent=1.6, high_percent=2.4, deviations=8.0,
                    at_one_temperature=True, sentence="The mode lies 2.0 % higher."),
    ResonanceChange("new", "radiated", other_hz=3150.0, other_q=22.0, deviations=4.5,
                    sentence="Only B has it."),
]  # fmt: skip


def sources(count: int = 2, **take_options: Any) -> list[Results]:
    """Return results of so many loudspeakers, each 0.3 dB louder than the last, THD 0.7 dB down."""
    made = []
    first = with_intervals(sample_take(**take_options))
    for index in range(count):
        rungs = [_moved(rung, 0.3 * index, -0.7 * index) for rung in first.rungs]
        take = replace(
            first, rungs=rungs, clean_level_third_octave=[clean_level(0.3 * index)],
            limiters=[Limiter("limiter", -21.8 - index, 12.0, 5.0, [57.0, 1200.0])],
        )  # fmt: skip
        made.append(sample_results(take))
    return made


def clean_level(by_db: float = 0.0) -> CleanLevel:
    """Return a clean level that is below at the lowest bands, and not reached at the highest."""
    f = NOMINAL_HZ.astype(float)
    level = 80.0 + 8.0 * np.log10(f / 100.0) + by_db
    low_bands, high_bands = f < 40.0, f > 8000.0
    reached = ~low_bands & ~high_bands
    return CleanLevel(
        thd_percent=1.0,
        compression_db=1.0,
        frequency_hz=f,
        level_db=np.where(low_bands, np.nan, level),
        low_db=np.where(low_bands, np.nan, np.where(reached, level - 0.3, level)),
        high_db=np.where(high_bands, np.nan, level + 0.3),
        drive_dbfs=np.where(reached, level - 100.0, np.nan),
        drive_low_dbfs=np.where(low_bands, np.nan, level - 100.3),
        drive_high_dbfs=np.where(high_bands, np.nan, level - 99.7),
        state=["below" if a else "not reached" if b else "reached"
               for a, b in zip(low_bands, high_bands, strict=True)],
        limited_by=["thd"] * f.size,
    )  # fmt: skip


def _moved(rung: Rung, louder_db: float, thd_db: float) -> Rung:
    """Return a rung with its fundamental and its THD moved, averages and ends too."""
    smoothed = [
        replace(
            one, fundamental=_shifted(one.fundamental, louder_db), thd=_shifted(one.thd, thd_db)
        )
        for one in rung.smoothed
    ]
    third = rung.thd_third_octave
    return replace(
        rung,
        spl_db=None if rung.spl_db is None else rung.spl_db + louder_db,
        fundamental_db=rung.fundamental_db + louder_db,
        fundamental_low_db=rung.fundamental_low_db + louder_db,
        fundamental_high_db=rung.fundamental_high_db + louder_db,
        thd_db=rung.thd_db + thd_db,
        thd_low_db=rung.thd_low_db + thd_db,
        thd_high_db=rung.thd_high_db + thd_db,
        smoothed=smoothed,
        thd_third_octave=None if third is None else _shifted(third, thd_db),
    )


def _shifted(level: Any, by_db: float) -> Any:
    """Return a record with all arrays in dB moved."""
    moved = {name: v + by_db for name, v in vars(level).items() if name.endswith("_db")}
    return replace(level, **moved)


def compared(
    results: Sequence[Results], *, names: Sequence[str] | None = None, **parts: Any
) -> Comparison:
    """Return the differences between results with sentences that are made up."""
    names = names or [chr(ord("A") + index) for index in range(len(results))]
    said = {
        "findings": FINDINGS,
        "not_compared": ["Staircases: only A has one."],
        "resonances": RESONANCES,
        "conditions": ["A was measured at 20 °C, B at 25 °C."],
        "unseen": ["Third harmonic: no difference over 0.8 dB."],
        "tests": 412,
        "deviations": 3.8,
    }
    aligned = parts.pop("aligned", "drive")
    return replace(compare(*results, names=names, aligned=aligned), **(said | parts))


def only_staircase(results: Results) -> Results:
    """Return results whose takes hold no rung."""
    takes = [replace(take, kind="staircase", rungs=[], compression=None) for take in results.takes]
    return replace(results, takes=takes)


def take_of(results: Results) -> Take:
    """Return the only take."""
    (take,) = results.takes
    return take
