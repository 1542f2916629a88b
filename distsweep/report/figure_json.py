"""What the page's figures show, as JSON that stands in the page.

``{"grids": [x, …], "figures": {name: {"x", "unit", "curves": [{"key", "name", "quantity", "grid",
"values", "low", "high", "percent", "drive", "spl", "colour", "dash"}, …]}, …}}``. A grid is base64
of little-endian float32; equal ones are written once, and ``grid`` is the number of a curve's.
``values``, ``low`` and ``high`` are base64 of little-endian int16, in hundredths of the unit:
a page with four takes of ten rungs keeps under 2 MB so, and nothing is known more finely.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping
from typing import Any

import numpy as np

from distsweep.report.figure_data import X_QUANTITIES, Curve, FigureData
from distsweep.units import FloatArray

NO_VALUE, NOTHING = -32768, -32767
"""Codes of "no value" (NaN) and of −inf; chosen: the two lowest that an int16 has."""

PER_UNIT = 100.0
MOST = 32766 / PER_UNIT
"""Values beyond ± this (327.66, what is left of an int16 in hundredths) are clipped to it: no
level, ratio or percentage of a figure lies out there."""


def figure_json(figures: Mapping[str, FigureData]) -> str:
    """Write the numbers behind figures, by the figures' names, as JSON.

    ``</`` is escaped, so that the text can stand in a script element as it is.

    Raises
    ------
    ValueError
        A figure's quantity across is unknown, or arrays of a curve differ in length.
    """
    grids: dict[bytes, int] = {}
    listed = {name: _figure(name, data, grids) for name, data in figures.items()}
    whole = {"grids": [_base64(grid) for grid in grids], "figures": listed}
    text = json.dumps(whole, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return text.replace("</", "<\\/").replace("<!--", "<\\u0021--")


def _figure(name: str, data: FigureData, grids: dict[bytes, int]) -> dict[str, Any]:
    if data.x_quantity not in X_QUANTITIES:
        raise ValueError(
            f"figure {name!r} has {data.x_quantity!r} across: choose one of {[*X_QUANTITIES]}"
        )
    curves = [_curve(name, curve, grids) for curve in data.curves]
    return {"x": data.x_quantity, "unit": X_QUANTITIES[data.x_quantity], "curves": curves}


def _curve(name: str, curve: Curve, grids: dict[bytes, int]) -> dict[str, Any]:
    sizes = {part.size for part in (curve.x, curve.values)}
    sizes |= {part.size for part in (curve.low, curve.high) if part.size}
    if len(sizes) > 1:
        raise ValueError(f"figure {name!r}, curve {curve.key!r}: arrays differ in length: {sizes}")
    grid = np.asarray(curve.x, dtype="<f4").tobytes()
    return {
        "key": curve.key,
        "name": curve.name,
        "quantity": curve.quantity,
        "grid": grids.setdefault(grid, len(grids)),
        "values": _hundredths(curve.values),
        "low": _hundredths(curve.low) if curve.low.size else None,
        "high": _hundredths(curve.high) if curve.high.size else None,
        "percent": curve.re_fundamental,
        "drive": _number(curve.drive_dbfs),
        "spl": _number(curve.spl_db),
        "colour": curve.colour,
        "dash": curve.dash,
    }


def _hundredths(values: FloatArray) -> str:
    """Encode values; an end that is +inf, which says nothing, becomes "no value"."""
    known = np.isfinite(values)
    steps = np.rint(PER_UNIT * np.clip(np.where(known, values, 0.0), -MOST, MOST))
    codes = np.where(known, steps, np.where(np.isneginf(values), NOTHING, NO_VALUE))
    return _base64(codes.astype("<i2").tobytes())


def _number(value: float | None) -> float | None:
    """Round to hundredths; None where there is no number."""
    return None if value is None or not np.isfinite(value) else round(float(value), 2)


def _base64(content: bytes) -> str:
    return base64.b64encode(content).decode("ascii")
