"""The compact table of THD."""

from __future__ import annotations

import math

import numpy as np

from distsweep.analysis.noise.interval import is_reliable
from distsweep.report.content import Block, Cell, Paragraph, Table
from distsweep.report.distortion import interface
from distsweep.report.lines import Line, thd_line
from distsweep.results import Rung, Take
from distsweep.units import FloatArray, db_to_percent
from distsweep.words import wording

# Octave centres of IEC 61260-1, with thirds added where bass distortion changes fastest.
TABLE_HZ = (25, 31.5, 40, 50, 63, 80, 100, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)
_NEAR_ENOUGH = 2 ** (1 / 12)  # a grid point further off would stand for another frequency


def thd_table(take: Take) -> Block:
    """THD at octaves (thirds in the bass) for each rung, in percent and dB."""
    picked = _table_points(take.frequency_hz)
    lines = [thd_line(take, rung) for rung in take.rungs]
    rows = [
        [Cell(wording.frequency(nominal))]
        + [_thd_cell(rung, line, index, nominal)
           for rung, line in zip(take.rungs, lines, strict=True)]
        for nominal, index in picked
    ]  # fmt: skip
    if not any(cell.text[:1].isdigit() or cell.below for row in rows for cell in row[1:]):
        return Paragraph(
            "There is no table of THD: at no level and no frequency does it stand clear of the "
            "noise, unclipped."
        )
    caption = (
        "THD in percent, and below it in dB re the fundamental, at the grid point nearest to each "
        f"frequency: a narrow peak between two rows does not show. {_key(take, lines)}"
        " “—”: no harmonic lies inside the band."
    )
    if any(rung.clipped for rung in take.rungs):
        caption += " “Clipped”: spoilt by clipping, or by noise, and nothing tells by which."
    columns = ["Excitation frequency"] + [wording.drive(rung.drive_dbfs) for rung in take.rungs]
    return Table(caption, columns, rows)


def _table_points(frequency_hz: FloatArray) -> list[tuple[float, int]]:
    """Nominal frequencies that the grid holds, each with its nearest point."""
    picked = []
    for nominal in TABLE_HZ:
        if frequency_hz.size:
            index = int(np.argmin(np.abs(np.log(frequency_hz / nominal))))
            ratio = float(frequency_hz[index]) / nominal
            if 1 / _NEAR_ENOUGH <= ratio <= _NEAR_ENOUGH:
                picked.append((float(nominal), index))
    return picked


def _key(take: Take, lines: list[Line]) -> str:
    if not any(line.high_db.size for line in lines):
        return (
            "“≈”: uncertain, noise may have moved it by several decibels; “noise”: hidden by "
            "noise, so unknown;"
        )
    return (
        "“≈”: rounded to what noise leaves known. “⅓ oct.”: "
        f"{interface.what_hides(take)} hides that point, and this is the "
        "average over a third of an octave around it: a value within 1.5 dB, what it lies "
        "between, or (“≤”) what it is at most, with a confidence of 95 %. “Noise”: not even that "
        "is known."
    )


def _thd_cell(rung: Rung, line: Line, index: int, nominal_hz: float) -> Cell:
    if not rung.orders_summed[index] > 0:
        return Cell("—", pale=True)
    percent, level_db = float(rung.thd_percent[index]), float(rung.thd_db[index])
    if line.standing.reliable[index]:
        ends = [float(e[index]) if e.size else math.nan for e in (line.low_db, line.high_db)]
        return _value(level_db, ends, "")
    third = None if line.average is None else _third(rung, nominal_hz)
    if third is not None:
        return third
    if line.average is None and line.uncertain[index]:
        return Cell(f"≈ {wording.percent(percent)}", f"≈ {wording.decibels(level_db)}", pale=True)
    return Cell("clipped" if rung.clipped else "noise", pale=True)


def _third(rung: Rung, nominal_hz: float) -> Cell | None:
    """Write the average over the third of an octave around a frequency, None where unknown.

    So is what may be 100 % or more: such a bound says nothing of a loudspeaker.
    """
    third = rung.thd_third_octave
    if third is None or not np.isclose(third.frequency_hz, nominal_hz).any():
        return None
    at = int(np.argmin(np.abs(third.frequency_hz - nominal_hz)))
    level_db, low_db, high_db = (
        float(part[at]) for part in (third.thd_db, third.low_db, third.high_db)
    )
    reliable = bool(is_reliable(np.array(low_db), np.array(high_db)))
    if not math.isfinite(high_db) or (high_db >= 0.0 and not reliable):
        return None
    if math.isfinite(low_db) and not reliable:
        ends = [float(db_to_percent(end)) for end in (low_db, high_db)]
        ends_db = f"{wording.signed(low_db, 0)} to {wording.decibels(high_db, decimals=0)}"
        return Cell(wording.percent_between(*ends), f"{ends_db}, ⅓ oct.", pale=True)
    return _value(level_db, [low_db, high_db], ", ⅓ oct.")


def _value(level_db: float, ends_db: list[float], over: str) -> Cell:
    """Write a level rounded to what is known of it, or what it is at most."""
    numbers = [float(db_to_percent(one)) for one in (level_db, *ends_db)]
    return Cell(
        wording.known_percent(*numbers, about="≈ ", most="≤ "),
        wording.known_decibels(level_db, *ends_db, about="≈ ", most="≤ ") + over,
        pale=math.isfinite(ends_db[1]) and not math.isfinite(ends_db[0]),
    )
