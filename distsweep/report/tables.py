"""Tables for a spreadsheet or a script: one CSV a take, a row a frequency and rung."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from distsweep.report import compression_tables
from distsweep.report.names import unique_names
from distsweep.report.reliability import fundamental_standing, gain_change_reliable
from distsweep.results import Results, Rung, Take
from distsweep.whole_files import write_whole_text
from distsweep.words.wording import level_unit

LEADING_COLUMNS = (
    "frequency_hz",
    "drive_dbfs",
    "spl_db",
    "clipped",
    "fundamental_db_spl",
    "fundamental_dbfs",
    "fundamental_floor_db_spl",
    "fundamental_floor_dbfs",
    "fundamental_reliable",
    "gain_change_db",
    "gain_change_reliable",
    "thd_db",
    "thd_percent",
    "thd_re_total_percent",
    "thd_floor_db",
    "thd_reliable",
    "orders_summed",
    "high_order_db",
    "high_order_floor_db",
)
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


def write_tables(results: Results, folder: Path) -> list[Path]:
    """Write one CSV a take: harmonics, THD and gain change against frequency at each level.

    Parameters
    ----------
    results
        What ``analyse`` found.
    folder
        Folder to write into; it is made when missing, and other files in it stay.

    Returns
    -------
    list of Path
        ``POSITION-distortion.csv`` of each take that holds a ladder, in their order; the
        position is brought down to a–z, 0–9 and hyphens, and numbered when it comes twice.
        ``POSITION-staircase.csv`` of each staircase, ``POSITION-clean-level.csv`` where
        highest clean levels were sought, and ``POSITION-clean-level-third-octave.csv``.

    Raises
    ------
    InputError
        A file cannot be written.

    Notes
    -----
    Comma separated, UTF-8, a point before decimals, a header row. A cell is empty where the
    number does not exist. Rows go through all frequencies of the first rung, then the next.
    Numbers that are not reliable are in the table too, noise among them: look at the
    ``…_reliable`` column (``true`` or ``false``) before you use one, and see `LEADING_COLUMNS`.
    """
    names = unique_names(take.position for take in results.takes)
    written = []
    for take, name in zip(results.takes, names, strict=True):
        if take.rungs:
            path = Path(folder) / f"{name}-distortion.csv"
            write_whole_text(path, take_table(take))
            written.append(path)
        for ending, text in compression_tables.of_take(take):
            path = Path(folder) / f"{name}-{ending}.csv"
            write_whole_text(path, text)
            written.append(path)
    return written


def take_table(take: Take) -> str:
    """Text of a take's CSV."""
    orders = sorted({order for rung in take.rungs for order in rung.harmonics})
    header = [*LEADING_COLUMNS]
    header += [f"h{order}_{ending}" for order in orders for ending in HARMONIC_COLUMNS]
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(header)
    for index in range(len(take.rungs)):
        writer.writerows(zip(*_rung_columns(take, index, orders), strict=True))
    return buffer.getvalue()


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


def _numbers(values: np.ndarray[tuple[int, ...], np.dtype[np.float64]], decimals: int) -> list[str]:
    return [_number(value, decimals) for value in values.tolist()]


def _number(value: float, decimals: int) -> str:
    """Write a number with a fixed count of decimals; nothing when it does not exist."""
    return f"{value:.{decimals}f}" if math.isfinite(value) else ""


def _flags(values: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> list[str]:
    return [_flag(bool(value)) for value in values]


def _flag(value: bool) -> str:
    return "true" if value else "false"
