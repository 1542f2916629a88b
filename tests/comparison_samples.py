"""Comparisons of invented results, put together without `distsweep.comparison.compare`.

Differences are one side's values less the other's, with both intervals' ends: enough to draw and
to write, and no judgement of what differs.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from report_samples import sample_results, sample_take, with_intervals

from distsweep.comparison.record import (
    Comparison,
    Difference,
    Finding,
    ResonanceChange,
    Source,
)
from distsweep.results import Results, Rung, Take

FINDINGS = [
    Finding("B's second harmonic is 3.1 dB higher from 400 to 800 Hz.", "h2", 400.0, 800.0,
            3.1, 2.4, 3.8, position="axis", drives_dbfs=[-16.0, -10.0]),
    Finding("B is 0.5 dB louder.", "fundamental", None, None, 0.5, 0.3, 0.7, position="axis"),
    Finding("B's resonance at 312 Hz lies 2.0 % higher.", "resonance", 300.0, 325.0, None, None,
            None, change_percent=2.0),
]  # fmt: skip


def sources(count: int, **take_options: Any) -> list[Results]:
    """Return results of so many loudspeakers, each a little louder and cleaner than the last."""
    made = []
    for index in range(count):
        take = with_intervals(sample_take(**take_options))
        rungs = [_moved(rung, 0.3 * index, -0.7 * index) for rung in take.rungs]
        made.append(sample_results(replace(take, rungs=rungs)))
    return made


def _moved(rung: Rung, louder_db: float, thd_db: float) -> Rung:
    """Return a rung with its fundamental and its THD moved, averages and ends too."""
    smoothed = [
        replace(one, fundamental=_shifted(one.fundamental, louder_db), thd=_shifted(one.thd, thd_db))
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
    """Return what differs between results and the first of them at the drives that both have."""
    names = names or [chr(ord("A") + index) for index in range(len(results))]
    differences = [
        one
        for index, other in enumerate(results)
        if index
        for first in results[0].takes
        for second in other.takes
        if first.position == second.position and first.rungs and second.rungs
        for one in _differences(first, second, index)
    ]
    return Comparison(
        sources=[Source(name, device=name) for name in names],
        differences=differences,
        findings=list(parts.pop("findings", FINDINGS)),
        not_compared=list(parts.pop("not_compared", ["Staircases: only A has one."])),
        resonances=list(parts.pop("resonances", _RESONANCES)),
        conditions=list(parts.pop("conditions", ["A was measured at 20 °C, B at 25 °C."])),
        unseen=list(parts.pop("unseen", ["Third harmonic: no difference over 0.8 dB."])),
        tests=412,
        deviations=3.8,
        **parts,
    )


_RESONANCES = [
    ResonanceChange("moved", "excited", frequency_hz=306.2, other_hz=312.3, q=41.0, other_q=40.0,
                    change_percent=2.0, low_percent=1.6, high_percent=2.4, deviations=8.0,
                    sentence="It lies 2.0 % higher."),
    ResonanceChange("new", "radiated", other_hz=3150.0, other_q=22.0, deviations=4.5,
                    sentence="Only B has it."),
    ResonanceChange("same", "radiated", frequency_hz=1250.0, other_hz=1251.0, q=18.0, other_q=19.0),
]  # fmt: skip


def _differences(first: Take, second: Take, source: int) -> Iterator[Difference]:
    f = first.frequency_hz
    for index, rung in enumerate(first.rungs):
        other_index = next(
            (i for i, o in enumerate(second.rungs) if abs(o.drive_dbfs - rung.drive_dbfs) < 0.05),
            None,
        )
        if other_index is None:
            continue
        other = second.rungs[other_index]
        pairs = {
            "fundamental": [
                (r.fundamental_db, r.fundamental_low_db, r.fundamental_high_db)
                for r in (rung, other)
            ],
            "thd": [(r.thd_db, r.thd_low_db, r.thd_high_db) for r in (rung, other)],
        }
        for order in sorted(set(rung.harmonics) & set(other.harmonics)):
            pairs[f"h{order}"] = [
                (c.level_db, c.low_db, c.high_db)
                for c in (rung.harmonics[order], other.harmonics[order])
            ]
        if first.compression is not None and second.compression is not None:
            pairs["gain change"] = [
                _gain_change(take, at) for take, at in ((first, index), (second, other_index))
            ]
        for quantity, (a, b) in pairs.items():
            yield Difference(
                quantity, first.position, f, *_less(a, b), source=source, drive_dbfs=rung.drive_dbfs
            )


def _gain_change(take: Take, index: int) -> tuple[Any, Any, Any]:
    compression = take.compression
    assert compression is not None
    values = compression.gain_change_db[index]
    if not compression.gain_change_low_db:
        return values, np.zeros(0), np.zeros(0)
    return values, compression.gain_change_low_db[index], compression.gain_change_high_db[index]


def _less(a: tuple[Any, Any, Any], b: tuple[Any, Any, Any]) -> tuple[Any, Any, Any]:
    """Return b − a with the root of the summed squares of both sides' distances."""
    with np.errstate(invalid="ignore"):
        value = np.where(np.isfinite(b[0]) & np.isfinite(a[0]), b[0] - a[0], np.nan)
        if not (a[1].size and b[1].size):
            nothing = np.full(value.shape, np.nan)
            return value, nothing, nothing
        down = np.hypot(b[0] - b[1], a[2] - a[0])
        up = np.hypot(b[2] - b[0], a[0] - a[1])
        return value, value - down, value + up
