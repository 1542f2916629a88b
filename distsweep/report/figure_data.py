"""What a figure shows, as numbers: for the cursor, the table behind it, and its file of data.

A topic gives the figure and these numbers from the same functions. Curves are joined with what is
drawn by their ``key``: artists that `distsweep.report.look.belongs_to` gave the same key are shown
and hidden together.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from distsweep.units import FloatArray

X_QUANTITIES = {
    "frequency": "Hz",
    "heard": "Hz",
    "drive": "dBFS",
    "time": "s",
}
"""Quantities that a figure may have across, each with its unit. Cursors of figures with the same
one move together; "heard" is the frequency heard, all other frequencies are the one played."""


@dataclass(frozen=True)
class Curve:
    """One curve of a figure; arrays have shape ``(P,)``.

    ``name`` is what the legend says ("−10 dBFS", "H2"), ``quantity`` what the values are, with the
    unit ("THD, dB re fundamental"). ``low`` and ``high`` are the ends of the 95 % interval, of
    length 0 where there are none. NaN is no value: nothing is drawn there. The ends may say more: a
    low one of −inf is "at most" the high one; two ends without a value are what it lies between; a
    low one alone is "at least".
    ``re_fundamental`` says that the values are dB re the fundamental, which a reader may also want
    in percent. ``drive_dbfs`` and ``spl_db`` (the mean over the level band) are those of the rung.
    ``colour`` is the one it is drawn in, as ``#rrggbb``, empty where no artist is its own (a map);
    ``dash`` are lengths of dashes and gaps of a line 2 units wide, as SVG writes them, empty for
    a full line.
    """

    key: str
    name: str
    quantity: str
    x: FloatArray
    values: FloatArray
    low: FloatArray = field(default_factory=lambda: np.zeros(0))
    high: FloatArray = field(default_factory=lambda: np.zeros(0))
    re_fundamental: bool = False
    drive_dbfs: float | None = None
    spl_db: float | None = None
    colour: str = ""
    dash: str = ""


@dataclass(frozen=True)
class FigureData:
    """The curves of a figure, over one of `X_QUANTITIES`."""

    x_quantity: str
    curves: list[Curve]
