"""The numbers behind the lines of a ladder's chart, from the `Line` that is drawn."""

from __future__ import annotations

import numpy as np

from distsweep.report import look
from distsweep.report.figure_data import Curve
from distsweep.report.lines import Line
from distsweep.report.reliability import only
from distsweep.results import Rung, Take
from distsweep.units import FloatArray
from distsweep.words import wording


def rung_key(index: int) -> str:
    """Key of a rung's curve; ``index`` counts ``take.rungs``."""
    return f"rung-{index}"


def rung_name(rung: Rung) -> str:
    """Name of a rung's curve: its drive, and whether it clipped."""
    return wording.drive(rung.drive_dbfs) + (", clipped" if rung.clipped else "")


def rung_curves(
    take: Take, lines: list[Line], quantity: str, *, re_fundamental: bool = False
) -> list[Curve]:
    """Return what a chart with one line a rung shows; ``lines`` are in the order of the rungs."""
    quantity = with_averages(quantity, lines)
    drives = np.array([rung.drive_dbfs for rung in take.rungs])
    ranks = np.argsort(np.argsort(drives, kind="stable"))
    colours = look.level_colours(len(lines))
    return [
        line_curve(
            take, rung, line, key=rung_key(index), name=rung_name(rung), quantity=quantity,
            colour=colours[rank], re_fundamental=re_fundamental,
        )
        for index, (rung, line, rank) in enumerate(zip(take.rungs, lines, ranks, strict=True))
    ]  # fmt: skip


def with_averages(quantity: str, lines: list[Line]) -> str:
    """Say of a figure's quantity that averages are among its values, where they are."""
    averages = any(
        line.average is not None and np.any(line.averaged | line.uncertain) for line in lines
    )
    return f"{quantity} (in part averages over up to 1/3 octave)" if averages else quantity


def line_curve(
    take: Take,
    rung: Rung,
    line: Line,
    *,
    key: str,
    name: str,
    quantity: str,
    colour: str,
    re_fundamental: bool = False,
) -> Curve:
    """Return the numbers of one line of a rung, on the take's grid.

    Where an average is drawn it stands in the values: see `with_averages`.
    """
    low_db, high_db = ends_shown(line)
    return Curve(
        key=key,
        name=name,
        quantity=quantity,
        x=take.frequency_hz,
        values=line.shown,
        low=low_db,
        high=high_db,
        re_fundamental=re_fundamental,
        drive_dbfs=rung.drive_dbfs,
        spl_db=rung.spl_db,
        colour=colour,
    )


def ends_shown(line: Line) -> tuple[FloatArray, FloatArray]:
    """Return the ends of the intervals of what is shown, of length 0 where there are none.

    Where nothing is shown, as it may be no more than noise, the average's high end stands with a
    low end of −inf: "at most".
    """
    if not line.high_db.size:
        return line.low_db, line.high_db
    reliable, average = line.standing.reliable, line.average
    if average is None:
        flags = reliable | line.uncertain
        return only(line.low_db, flags), only(line.high_db, flags)
    low_db = np.where(reliable, line.low_db, only(average.low_db, line.averaged | line.uncertain))
    high_db = np.where(reliable, line.high_db, average.high_db)
    bounded = np.isnan(line.shown) & np.isfinite(high_db)
    return np.where(bounded, -np.inf, low_db), high_db
