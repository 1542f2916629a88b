"""A prediction as a comparison: the loudspeaker as measured, and through each set of filters."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from distsweep.comparison.filters.findings import findings_of
from distsweep.comparison.filters.names import WITHOUT
from distsweep.comparison.filters.record import Curve, Filter, Filtered, FilteredTake
from distsweep.comparison.record import BAND, DRIVE, Comparison, Difference, Source, numbered
from distsweep.results import AXIS, Results
from distsweep.units import FloatArray
from distsweep.words.wording import listed


def as_comparison(
    results: Results,
    filters: Sequence[Filter],
    takes: Sequence[FilteredTake],
    not_compared: list[str],
) -> Comparison:
    """Return differences (with filters minus without) and findings of every set of filters."""
    leading = next((take for take in takes if take.position == AXIS), takes[0])
    names = numbered([one.name for one in leading.filtered])
    return Comparison(
        sources=[Source.of(name, results) for name in (WITHOUT, *names)],
        differences=[one for take in takes for one in _differences(take)],
        findings=findings_of(filters, leading),
        not_compared=not_compared,
        aligned=BAND,
        conditions=_conditions(names, [one.notes for one in leading.filtered]),
    )


def _conditions(names: Sequence[str], notes: Sequence[Sequence[str]]) -> list[str]:
    """Return notes, each once: what holds for some sets of filters only with their names."""
    found = []
    for note in dict.fromkeys(note for own in notes for note in own):
        having = [name for name, own in zip(names, notes, strict=True) if note in own]
        found.append(note if len(having) == len(names) else f"{listed(having)}: {note}")
    return found


def _differences(take: FilteredTake) -> Iterator[Difference]:
    for source, one in enumerate(take.filtered, start=1):
        yield from _of(take, one, source)


def _of(take: FilteredTake, one: Filtered, source: int) -> Iterator[Difference]:
    for at in one.at_drives:
        yield _difference(take, "fundamental", at.change_db, source, drive_dbfs=at.drive_dbfs)
    for level in one.at_levels:
        spl_db = level.level_db
        yield _difference(
            take, "fundamental", less(level.filtered_fundamental_db, level.fundamental_db), source,
            spl_db=spl_db,
        )  # fmt: skip
        yield _difference(take, "thd", level.thd_change_db, source, spl_db=spl_db)
        for order, filtered in level.filtered_harmonics.items():
            change = less(filtered, level.harmonics[order])
            yield _difference(take, f"h{order}", change, source, spl_db=spl_db)
        for room in level.headroom:
            yield _difference(
                take, f"headroom to {room.limit}", room.change_db, source, spl_db=spl_db
            )


def _difference(
    take: FilteredTake,
    quantity: str,
    change: Curve,
    source: int,
    *,
    drive_dbfs: float | None = None,
    spl_db: float | None = None,
) -> Difference:
    return Difference(
        quantity=quantity,
        position=take.position,
        frequency_hz=take.frequency_hz,
        difference_db=change.values,
        low_db=change.low,
        high_db=change.high,
        source=source,
        aligned=DRIVE if spl_db is None else BAND,
        drive_dbfs=drive_dbfs,
        spl_db=spl_db,
    )


def less(one: Curve, other: Curve) -> Curve:
    """Return a difference with the ends of its interval, as of two independent errors.

    What is at most or at least on either side stays so.
    """
    with np.errstate(invalid="ignore"):
        value = one.values - other.values
        down = _together(one.values - one.low, other.high - other.values)
        up = _together(one.high - one.values, other.values - other.low)
        low = np.where(np.isneginf(one.low) | np.isposinf(other.high), -np.inf, value - down)
        high = np.where(np.isposinf(one.high) | np.isneginf(other.low), np.inf, value + up)
    known = ~np.isnan(one.high) & ~np.isnan(other.high)
    value = np.where(np.isfinite(value), value, np.nan)
    return Curve(value, np.where(known, low, np.nan), np.where(known, high, np.nan))


def _together(one: FloatArray, other: FloatArray) -> FloatArray:
    return np.asarray(np.hypot(one, other))
