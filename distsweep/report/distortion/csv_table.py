"""CSV of a ladder: a row a frequency and rung."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from distsweep.report.csv_text import as_csv
from distsweep.report.reliability import fundamental_standing, gain_change_reliable
from distsweep.results import Rung, Take
from distsweep.units import BoolArray, FloatArray
from distsweep.words.wording import level_unit

LEADING_COLUMNS = (
    "frequency_hz", "drive_dbfs", "spl_db", "clipped", "fundamental_db_spl", "fundamental_dbfs",
    "fundamental_floor_db_spl", "fundamental_floor_dbfs", "fundamental_reliable",
    "gain_change_db", "gain_change_reliable", "thd_db", "thd_percent", "thd_re_total_percent",
    "thd_floor_db", "thd_reliable", "orders_summed", "high_order_db", "high_order_floor_db",
)  # fmt: skip
"""Columns of every table, in order; new ones are only ever added.

Of the two pairs ``…_db_spl`` and ``…_dbfs`` one is filled: the first when calibrated. ``spl_db``
is the rung's level over the level band, the same in all its rows. Each
``…_reliable`` asks for 25 dB above the floor, unclipped, which is within 1.5 dB; for
``gain_change_reliable`` both this rung's fundamental and the reference's must stand so clear,
and no other gain change is written. Where it is ``false``, level − floor tells why: from 6 to
25 dB the value is uncertain by several decibels, below 6 dB it is noise, and from 25 dB up
something else spoilt it (clipping, or a window too short). In a rung whose ``clipped`` is
``true`` what is not reliable may be clipped at any distance from its floor.
THD, ``high_order_db`` and their floors are re the fundamental at the same frequency.
"""

HARMONIC_COLUMNS = ("db", "floor_db", "reliable", "input_referred_db")
"""Endings of each harmonic's columns: ``h2_db``, ``h2_floor_db``, ``h2_reliable`` …"""


def ladder_table(take: Take) -> str:
    """Text of a take's CSV."""
    orders = sorted({order for rung in take.rungs for order in rung.harmonics})
    header = [*LEADING_COLUMNS]
    header += [f"h{order}_{ending}" for order in orders for ending in HARMONIC_COLUMNS]
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
    for values in (rung.fundamental_db, rung.fundamental_floor_db):
        filled, empty = _numbers(values, 3), [""] * count
        yield from (filled, empty) if spl else (empty, filled)
    yield _flags(fundamental_standing(take, index).reliable)
    gain = take.compression.gain_change_db[index] if take.compression else None
    yield [""] * count if gain is None else _numbers(gain, 3)
    yield [""] * count if gain is None else _flags(gain_change_reliable(take, index))
    yield _numbers(rung.thd_db, 3)
    yield _numbers(rung.thd_percent, 6)
    yield _numbers(rung.thd_re_total_percent, 6)
    yield _numbers(rung.thd_floor_db, 3)
    yield _flags(rung.thd_reliable)
    yield _numbers(rung.orders_summed.astype(np.float64), 0)
    yield _numbers(rung.high_order_db, 3)
    yield _numbers(rung.high_order_floor_db, 3)
    for order in orders:
        yield from _harmonic_columns(rung, order, count)


def _harmonic_columns(rung: Rung, order: int, count: int) -> Iterator[list[str]]:
    curve = rung.harmonics.get(order)
    if curve is None:
        yield from ([""] * count for _ in HARMONIC_COLUMNS)
        return
    yield _numbers(curve.level_db, 3)
    yield _numbers(curve.floor_db, 3)
    yield _flags(curve.reliable)
    yield _numbers(curve.input_referred_db, 3)


def _numbers(values: FloatArray, decimals: int) -> list[str]:
    return [_number(value, decimals) for value in values.tolist()]


def _number(value: float, decimals: int) -> str:
    """Write a number with a fixed count of decimals; nothing when it does not exist."""
    return f"{value:.{decimals}f}" if math.isfinite(value) else ""


def _flags(values: BoolArray) -> list[str]:
    return [_flag(bool(value)) for value in values]


def _flag(value: bool) -> str:
    return "true" if value else "false"
