"""The compact table of THD."""

from __future__ import annotations

import numpy as np

from distsweep.report.content import Block, Cell, Paragraph, Table
from distsweep.report.reliability import Standing, thd_standing
from distsweep.results import Rung, Take
from distsweep.units import FloatArray
from distsweep.words import wording

# Octave centres of IEC 61260-1, with thirds added where bass distortion changes fastest.
TABLE_HZ = (25, 31.5, 40, 50, 63, 80, 100, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)
_NEAR_ENOUGH = 2 ** (1 / 12)  # a grid point further off would stand for another frequency


def thd_table(take: Take) -> Block:
    """THD at octaves (thirds in the bass) for each rung, in percent and dB."""
    picked = _table_points(take.frequency_hz)
    standings = [thd_standing(rung) for rung in take.rungs]
    if not picked or not any(standing.any() for standing in standings):
        return Paragraph(
            "There is no table of THD: at no level and no frequency does it stand clear of the "
            "noise, unclipped."
        )
    rows = [
        [Cell(wording.frequency(nominal))]
        + [_thd_cell(r, s, index) for r, s in zip(take.rungs, standings, strict=True)]
        for nominal, index in picked
    ]
    caption = (
        "THD in percent, and below it in dB re the fundamental, at the grid point nearest to each "
        "frequency: a narrow peak between two rows does not show. “≈”: uncertain, noise may have "
        "moved it by several decibels; “noise”: hidden by noise, so unknown; “—”: no harmonic lies "
        "inside the band."
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


def _thd_cell(rung: Rung, standing: Standing, index: int) -> Cell:
    if not rung.orders_summed[index] > 0:
        return Cell("—", pale=True)
    percent = wording.percent(float(rung.thd_percent[index]))
    decibels = wording.decibels(float(rung.thd_db[index]))
    if standing.reliable[index]:
        return Cell(percent, decibels)
    if standing.uncertain[index]:
        return Cell(f"≈ {percent}", f"≈ {decibels}", pale=True)
    return Cell("clipped" if rung.clipped else "noise", pale=True)
