"""The table behind a figure, for who cannot see it or has no script: some rows of its numbers."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from distsweep.analysis.noise.interval import RELIABLE_HALF_WIDTH_DB
from distsweep.analysis.third_octave import NOMINAL
from distsweep.report.content import Cell, Table
from distsweep.report.figure_data import Curve, FigureData
from distsweep.results import SAME_DRIVE_DB
from distsweep.units import FloatArray, db_to_percent
from distsweep.words import wording

FEW = 40
"""A curve of so many points stands in the table with all of them (chosen: tones, drives and
thirds of an octave are fewer, a sweep's grid is longer)."""

NARROW_OCTAVES = 2.0
"""A figure that spans less has a row a twelfth of an octave, not a third (chosen: a resonance's
surroundings would be five rows)."""

MOST_TIMES = 30  # chosen: about as many as there are thirds of an octave in a band
_NEAR_OCTAVES = 1.0 / 24.0
"""A point further off would stand for another frequency: half the distance of the closest rows."""

_HEADS = {
    "frequency": "Excitation frequency",
    "heard": "Frequency heard",
    "drive": "Drive",
    "time": "Time",
}
UNKNOWN = Cell("—", "not known", pale=True)


def figure_table(data: FigureData) -> Table:
    """Return a figure's numbers as a table: a column a curve, and as many rows as one can read.

    Rows are all points where curves have few, else nominal thirds of an octave, or even steps of
    time. A number is that of the nearest point, rounded to what its interval leaves known, with the
    interval below it. Of levels re the fundamental the percentage stands above the decibels. Rows
    of which nothing is known are left out.
    """
    places, near, spacing = _rows(data)
    rows = []
    for place in places:
        cells = [_cell_at(curve, near(curve.x, place)) for curve in data.curves]
        if any(cell != UNKNOWN for cell in cells):
            rows.append([Cell(_place_name(data.x_quantity, place)), *cells])
    quantities = list(dict.fromkeys(curve.quantity for curve in data.curves))
    caption = f"{'; '.join(quantities)}, {spacing}."
    if len(rows) < len(places):
        caption += " Where no curve has a value there is no row."
    if any(curve.high.size for curve in data.curves):
        caption += " Below a value: its 95 % interval. “≈”: rounded to what is known."
    columns = [_HEADS[data.x_quantity], *(curve.name for curve in data.curves)]
    return Table(caption, columns, rows)


_Near = Callable[[FloatArray, float], int | None]


def _rows(data: FigureData) -> tuple[list[float], _Near, str]:
    """Return where rows stand, what finds a curve's point there, and how to say it."""
    grids = [curve.x for curve in data.curves if curve.x.size]
    if not grids:
        return [], _nearest_octave, "without a value"
    few = [x for x in grids if x.size <= FEW]
    low, high = (float(end(np.concatenate(grids))) for end in (np.min, np.max))
    if data.x_quantity == "time":
        step = _step(high - low)
        places = step * np.arange(math.ceil(low / step), math.floor(high / step) + 1)
        return places.tolist(), _nearest_within(0.5 * step), "at even steps of time"
    if data.x_quantity == "drive":
        return _apart(few or grids, SAME_DRIVE_DB), _nearest_within(SAME_DRIVE_DB), "at each drive"
    if few:
        return _apart(few, 0.0), _nearest_octave, "at each frequency that has a value of its own"
    narrow = math.log2(high / low) < NARROW_OCTAVES
    places_hz = _twelfths(low, high) if narrow else _nominal_thirds(low, high)
    spacing = "at twelfths" if narrow else "at thirds"
    return places_hz, _nearest_octave, f"{spacing} of an octave: what lies between does not show"


def _apart(grids: list[FloatArray], least: float) -> list[float]:
    """Return all points of some grids, rising, those that are the same within ``least`` once."""
    points = np.unique(np.concatenate(grids))
    return [float(x) for x in points[np.diff(points, prepend=-np.inf) > least]]


def _step(span: float) -> float:
    """Return the least step of 1, 2 or 5 times a power of ten that gives `MOST_TIMES` or fewer."""
    least = span / (MOST_TIMES - 1)
    decade = 10.0 ** math.floor(math.log10(least))
    return next((s * decade for s in (1.0, 2.0, 5.0) if s * decade >= least), 10.0 * decade)


def _nominal_thirds(low_hz: float, high_hz: float) -> list[float]:
    """Return the nominal midband frequencies (IEC 61260-1) between two, up to rounding."""
    nominal = [step * 10.0**decade for decade in range(-1, 6) for step in NOMINAL]
    return [f for f in nominal if low_hz * 0.999 <= f <= high_hz * 1.001]


def _twelfths(low_hz: float, high_hz: float) -> list[float]:
    """Return frequencies a twelfth of an octave (a fortieth of a decade) apart."""
    first, last = (40.0 * math.log10(f / 1000.0) for f in (low_hz, high_hz))
    return [1000.0 * 10.0 ** (k / 40.0) for k in range(math.ceil(first), math.floor(last) + 1)]


def _nearest_octave(x_hz: FloatArray, place_hz: float) -> int | None:
    return _nearest_within(_NEAR_OCTAVES)(np.log2(x_hz), math.log2(place_hz))


def _nearest_within(reach: float) -> _Near:
    """Return what finds the nearest point, None where it is further off than ``reach``."""

    def nearest(x: FloatArray, place: float) -> int | None:
        if not x.size:
            return None
        at = int(np.argmin(np.abs(x - place)))
        return at if abs(x[at] - place) <= reach * (1.0 + 1e-9) else None

    return nearest


def _place_name(x_quantity: str, place: float) -> str:
    if x_quantity == "drive":
        return wording.drive(place)
    if x_quantity == "time":
        return wording.with_unit(wording.plain(1e3 * place), "ms")
    return wording.frequency(place)


def _cell_at(curve: Curve, at: int | None) -> Cell:
    if at is None:
        return UNKNOWN
    value, low, high = (
        float(part[at]) if part.size else math.nan for part in (curve.values, curve.low, curve.high)
    )
    if curve.re_fundamental:
        return _percent_cell(value, low, high)
    return _level_cell(value, low, high)


def _percent_cell(value_db: float, low_db: float, high_db: float) -> Cell:
    """Write a percentage above its decibels; a bound of 100 % or more says nothing."""
    percents = [float(db_to_percent(one)) for one in (value_db, low_db, high_db)]
    if math.isfinite(value_db):
        text = wording.known_percent(*percents, about="≈ ")
        level = _level_cell(value_db, low_db, high_db)
        below = f"{level.text}{f' {level.below}' if level.below else ''}"
        return Cell(text, wording.with_unit(below, "dB"), pale=level.pale)
    if low_db == -math.inf and high_db < 0.0:
        bound = wording.known_decibels(value_db, low_db, high_db)
        return Cell(wording.known_percent(*percents), bound, pale=True)
    return UNKNOWN


def _level_cell(value_db: float, low_db: float, high_db: float) -> Cell:
    """Write a level with its interval below, or what of its ends is known."""
    if math.isfinite(value_db):
        if not (math.isfinite(low_db) and math.isfinite(high_db)):
            return Cell(wording.signed(value_db))
        half_db = max(value_db - low_db, high_db - value_db)
        places = wording.known_places((high_db - low_db) / 2.0)
        away = math.ceil(10.0 * half_db - 1e-6) / 10.0
        return Cell(
            f"{'' if places else '≈ '}{wording.signed(value_db, places)}",
            f"± {max(away, 0.1):.1f}",
            pale=(high_db - low_db) / 2.0 > RELIABLE_HALF_WIDTH_DB,
        )
    if math.isfinite(high_db) and math.isfinite(low_db):
        return Cell(f"{wording.signed(low_db)} to {wording.signed(high_db)}", pale=True)
    if math.isfinite(high_db) and low_db == -math.inf:
        return Cell(f"at most {wording.signed(high_db)}", pale=True)
    if math.isfinite(low_db):
        return Cell(f"at least {wording.signed(low_db)}", pale=True)
    return UNKNOWN
