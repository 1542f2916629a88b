"""CSV of a ladder: a row a frequency and rung."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from distsweep.analysis.noise.interval import is_reliable
from distsweep.report.csv_text import as_csv, percent_or_nothing
from distsweep.report.reliability import (
    fundamental_standing,
    gain_change_parts,
    gain_change_reliable,
    inside,
)
from distsweep.results import Rung, Take
from distsweep.units import BoolArray, FloatArray
from distsweep.words.wording import level_unit

LEADING_COLUMNS = (
    "frequency_hz", "drive_dbfs", "spl_db", "clipped",
    "fundamental_db_spl", "fundamental_low_db_spl", "fundamental_high_db_spl",
    "fundamental_dbfs", "fundamental_low_dbfs", "fundamental_high_dbfs",
    "fundamental_floor_db_spl", "fundamental_floor_dbfs", "fundamental_reliable",
    "gain_change_db", "gain_change_low_db", "gain_change_high_db", "gain_change_reliable",
    "thd_db", "thd_low_db", "thd_high_db", "thd_percent", "thd_low_percent", "thd_high_percent",
    "thd_re_total_percent", "thd_floor_db", "thd_reliable", "orders_summed",
    "high_order_db", "high_order_floor_db", "impulsive_db", "damage",
)  # fmt: skip
"""Columns of every table, in order: go by their names, as new ones are added.

Of ``…_db_spl`` and ``…_dbfs`` one is filled: the first when calibrated. ``spl_db``
is the rung's level over the level band, the same in all its rows. ``…_low…`` and ``…_high…`` are
the ends of the value's 95 % interval; the reference rung's own gain change is 0 exactly. Where the
low end is empty and the high end is not, the value is at most that; where the value is empty too,
no more than noise was measured; where all three of a THD or harmonic are, inside the band, noise
hides the fundamental that it is re. Each ``…_reliable`` asks for an interval of at most 1.5 dB to
either side, unclipped. Where it is ``false`` and the interval is narrower, something else spoilt
the value (clipping, or a window too short). In a rung whose ``clipped`` is ``true`` what is not
reliable may be clipped. THD, ``high_order_db``, their floors and ``impulsive_db`` (impulses that
the loudspeaker makes, empty where there are none) are re the fundamental at the same frequency.
``damage`` names what happened to the recording while that frequency was played, by the kinds of
`distsweep.results.Damage`, with a blank between several; it is empty where nothing did.
"""

HARMONIC_COLUMNS = ("db", "low_db", "high_db", "floor_db", "reliable", "input_referred_db")
"""Endings of each harmonic's columns: ``h2_db``, ``h2_low_db``, ``h2_high_db`` …"""


INTERFACE_COLUMNS = ("interface_db", "interface_high_db", "interface_reach_db")
"""Endings of the columns behind all others, of THD (``thd_interface_db`` …) and of each harmonic,
where a loop-back was recorded: what it shows of the interface itself (empty where that is no more
than noise), what that is at most, and what of it may be in the value."""


def ladder_table(take: Take) -> str:
    """Text of a take's CSV."""
    orders = sorted({order for rung in take.rungs for order in rung.harmonics})
    header = [*LEADING_COLUMNS]
    header += [f"h{order}_{ending}" for order in orders for ending in HARMONIC_COLUMNS]
    if _has_interface(take):
        names = ["thd", *(f"h{order}" for order in orders)]
        header += [f"{name}_{ending}" for name in names for ending in INTERFACE_COLUMNS]
    lines: list[Sequence[str]] = [header]
    for index in range(len(take.rungs)):
        lines += zip(*_rung_columns(take, index, orders), strict=True)
    return as_csv(lines)


def _rung_columns(take: Take, index: int, orders: list[int]) -> Iterator[list[str]]:
    """Columns of one rung, each a list of one text a frequency."""
    rung, count = take.rungs[index], take.frequency_hz.size
    yield _numbers(take.frequency_hz, 4)
    yield [_number(rung.drive_dbfs, 2)] * count
    yield ["" if rung.spl_db is None else _number(rung.spl_db, 3)] * count
    yield [_flag(rung.clipped)] * count
    spl = level_unit(take) == "dB SPL"
    level = [
        _numbers(rung.fundamental_db, 3),
        _ends(rung.fundamental_low_db, count, 3),
        _ends(rung.fundamental_high_db, count, 3),
    ]
    for filled in (level, [_numbers(rung.fundamental_floor_db, 3)]):
        empty = [[""] * count] * len(filled)
        yield from (*filled, *empty) if spl else (*empty, *filled)
    yield _flags(fundamental_standing(take, index).reliable)
    gains = gain_change_parts(take, index)
    yield from (_ends(part, count, 3) for part in gains)
    yield _flags(gain_change_reliable(take, index)) if gains[0].size else [""] * count
    ends = rung.thd_low_db, rung.thd_high_db
    yield _numbers(rung.thd_db, 3)
    yield from (_ends(end, count, 3) for end in ends)
    yield _numbers(rung.thd_percent, 6)
    yield from (_ends(percent_or_nothing(end), count, 6) for end in ends)
    yield _numbers(rung.thd_re_total_percent, 6)
    yield _numbers(rung.thd_floor_db, 3)
    yield _flags(rung.thd_reliable)
    yield _numbers(rung.orders_summed.astype(np.float64), 0)
    yield _numbers(rung.high_order_db, 3)
    yield _numbers(rung.high_order_floor_db, 3)
    yield _ends(rung.impulsive_db, count, 3)
    yield _damage(take, index)
    for order in orders:
        yield from _harmonic_columns(rung, order, count)
    if _has_interface(take):
        yield from _interface_columns(rung, orders, count)


def _has_interface(take: Take) -> bool:
    """Tell whether a loop-back was recorded beside any rung."""
    return any(rung.thd_interface_reach_db.size for rung in take.rungs)


def _interface_columns(rung: Rung, orders: list[int], count: int) -> Iterator[list[str]]:
    parts = [rung.thd_interface_db, rung.thd_interface_high_db, rung.thd_interface_reach_db]
    for order in orders:
        curve = rung.harmonics.get(order)
        nothing = np.zeros(0)
        parts += [nothing] * 3 if curve is None else [
            curve.interface_db, curve.interface_high_db, curve.interface_reach_db
        ]  # fmt: skip
    yield from (_ends(part, count, 3) for part in parts)


def _damage(take: Take, index: int) -> list[str]:
    """Name the kinds of damage that touch each frequency of a rung."""
    kinds: list[dict[str, None]] = [{} for _ in take.frequency_hz]
    for one in take.damage:
        if one.rung == index and one.low_hz is not None and one.high_hz is not None:
            for point in np.flatnonzero(inside(take.frequency_hz, one.low_hz, one.high_hz)):
                kinds[point][one.kind] = None
    return [" ".join(names) for names in kinds]


def _harmonic_columns(rung: Rung, order: int, count: int) -> Iterator[list[str]]:
    curve = rung.harmonics.get(order)
    if curve is None:
        yield from ([""] * count for _ in HARMONIC_COLUMNS)
        return
    yield _numbers(curve.level_db, 3)
    yield _ends(curve.low_db, count, 3)
    yield _ends(curve.high_db, count, 3)
    yield _numbers(curve.floor_db, 3)
    yield _flags(curve.reliable)
    yield _numbers(curve.input_referred_db, 3)


SMOOTHED_COLUMNS = (
    "bands_per_octave", "frequency_hz", "drive_dbfs", "spl_db", "clipped",
    "thd_db", "thd_low_db", "thd_high_db", "thd_percent", "thd_low_percent", "thd_high_percent",
    "thd_reliable",
)  # fmt: skip
"""Columns of the table of averages; ``frequency_hz`` is the middle of a band."""


def smoothed_thd_table(take: Take) -> str:
    """Text of the CSV of THD averaged over fractions of an octave; empty ends as in the other."""
    lines: list[Sequence[str]] = [SMOOTHED_COLUMNS]
    for rung in take.rungs:
        for smoothed in rung.smoothed:
            count, thd = smoothed.frequency_hz.size, smoothed.thd
            parts = thd.level_db, thd.low_db, thd.high_db
            columns = [
                [str(smoothed.bands_per_octave)] * count,
                _numbers(smoothed.frequency_hz, 4),
                [_number(rung.drive_dbfs, 2)] * count,
                ["" if rung.spl_db is None else _number(rung.spl_db, 3)] * count,
                [_flag(rung.clipped)] * count,
                *(_numbers(part, 3) for part in parts),
                *(_ends(percent_or_nothing(part), count, 6) for part in parts),
                _flags(is_reliable(thd.low_db, thd.high_db)),
            ]
            lines += zip(*columns, strict=True)
    return as_csv(lines)


def _ends(values: FloatArray, count: int, decimals: int) -> list[str]:
    """Write an end of an interval; nothing in files without intervals."""
    return _numbers(values, decimals) if values.size else [""] * count


def _numbers(values: FloatArray, decimals: int) -> list[str]:
    return [_number(value, decimals) for value in values.tolist()]


def _number(value: float, decimals: int) -> str:
    """Write a number with a fixed count of decimals; nothing when it does not exist."""
    return f"{value:.{decimals}f}" if math.isfinite(value) else ""


def _flags(values: BoolArray) -> list[str]:
    return [_flag(bool(value)) for value in values]


def _flag(value: bool) -> str:
    return "true" if value else "false"
