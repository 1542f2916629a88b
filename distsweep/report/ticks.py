"""Where ticks stand: worked out from an axis's limits and size, so that they follow both.

Names stand so far apart that none touches another when a page on a small screen enlarges them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.ticker import Formatter, Locator

from distsweep.report.svg import PHONE_TEXT_PX
from distsweep.units import FloatArray, db_to_percent, percent_to_db
from distsweep.words.wording import short_frequency, signed

_LETTER = 0.64
"""Width of a figure re the size of letters: DejaVu Sans, whose figures are 0.636 em wide."""

_GAP_POINTS = 4.0
_LINE_POINTS = 1.2 * PHONE_TEXT_PX  # a line of DejaVu Sans is 1.17 em high
_MANTISSAS: tuple[tuple[float, ...], ...] = (
    (1, 1.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7, 1.8, 1.9, 2, 2.2, 2.4, 2.6, 2.8, 3, 3.2, 3.4, 3.6, 3.8,
     4, 4.5, 5, 5.5, 6, 6.5, 7, 7.5, 8, 8.5, 9, 9.5),
    (1, 1.2, 1.4, 1.6, 1.8, 2, 2.5, 3, 3.5, 4, 5, 6, 7, 8, 9),
    (1, 1.5, 2, 3, 4, 5, 6, 8),
    (1, 1.5, 2, 3, 5, 7),
    (1, 2, 5),
    (1, 3),
    (1,),
)  # fmt: skip
_STEPS_DB = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
_MOST = 11  # ticks on an axis (chosen: on the usual three decades 20, 50, 100 … 20k are ten)


class _Ticks(Locator):
    """Places between the limits of an axis."""

    axis: Any

    def __call__(self) -> Any:
        """Return the places for the axis's limits."""
        low, high = sorted(self.axis.get_view_interval())
        return self.tick_values(low, high)


class FrequencyTicks(_Ticks):
    """Round frequencies in a log axis's limits: 20, 50, 100 …, closer where there is room."""

    def tick_values(self, vmin: float, vmax: float) -> Any:
        """Return the places between two frequencies."""
        low, high = max(vmin, 1e-6), max(vmax, 2e-6)
        points = _length_points(self.axis)
        few: FloatArray = np.array([])
        for mantissas in _MANTISSAS:
            ticks = _in_decades(mantissas, low, high)
            if ticks.size >= 2 and ticks.size <= _MOST and _clear(ticks, low, high, points):
                return ticks
            few = ticks if ticks.size else few
        return few[:1]


class SmallFrequencyTicks(_Ticks):
    """1, 2, 3 … 9 of each decade, where these are not too close to be told apart."""

    def tick_values(self, vmin: float, vmax: float) -> Any:
        """Return the places between two frequencies."""
        return _in_decades(range(1, 10), max(vmin, 1e-6), max(vmax, 2e-6))


class FrequencyNames(Formatter):
    """50, 315, 1k, 1.25k."""

    def __call__(self, x: float, pos: int | None = None) -> str:
        """Return the name of a tick."""
        return short_frequency(x)


class DecibelTicks(_Ticks):
    """Whole steps of decibels; ``step_db`` fixes the step."""

    def __init__(self, step_db: float | None = None) -> None:
        """Keep the step, None: as fine as there is room for."""
        self._step_db = step_db

    def tick_values(self, vmin: float, vmax: float) -> Any:
        """Return the places between two levels."""
        step = self.step_db(vmin, vmax)
        first, last = math.ceil(vmin / step - 1e-6), math.floor(vmax / step + 1e-6)
        return np.arange(first, last + 1) * step

    def step_db(self, low: float, high: float) -> float:
        """Return the distance of the ticks between two levels."""
        if self._step_db is not None:
            return self._step_db
        names = 4 if self.axis.axis_name == "x" else 1
        room = _LINE_POINTS if names == 1 else names * _LETTER * PHONE_TEXT_PX + _GAP_POINTS
        most = max(2, min(_MOST - 1, int(_length_points(self.axis) / room)))
        return next((s for s in _STEPS_DB if (high - low) / s <= most), _STEPS_DB[-1])


class DecibelNames(Formatter):
    """Decibels with a true minus sign, and decimals where the step asks for them."""

    def __init__(self, ticks: DecibelTicks) -> None:
        """Keep the ticks that are named."""
        self._ticks = ticks

    def __call__(self, x: float, pos: int | None = None) -> str:
        """Return the name of a tick."""
        step = self._ticks.step_db(*sorted(self._ticks.axis.get_view_interval()))
        return signed(x, 0 if step >= 1.0 else 1)


class PercentTicks(_Ticks):
    """1 and 3 of each decade of percent, on an axis in decibels; 1 only where there is no room."""

    def tick_values(self, vmin: float, vmax: float) -> Any:
        """Return the places between two levels, in dB."""
        points = _length_points(self.axis)
        sparse = (
            8.0 / (vmax - vmin) * points < _LINE_POINTS
        )  # of 3 and 10 %, 10 dB; of 1 and 3 %, 9
        values = [s * 10.0**d for d in range(-7, 5) for s in ((1,) if sparse else (1, 3))]
        places = np.asarray(percent_to_db(np.array(values)))
        return places[(places >= vmin) & (places <= vmax)]


class PercentNames(Formatter):
    """The percent that decibels are."""

    def __call__(self, x: float, pos: int | None = None) -> str:
        """Return the name of a tick."""
        return f"{float(f'{db_to_percent(x):.3g}'):g} %"


def _in_decades(mantissas: Sequence[float] | range, low: float, high: float) -> FloatArray:
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    ticks = np.array([s * 10.0**d for d in decades for s in mantissas])
    return ticks[(ticks >= low * 0.9999) & (ticks <= high * 1.0001)]


def _clear(ticks: FloatArray, low: float, high: float, points: float) -> bool:
    """Tell whether names of ticks stand clear of each other when they are enlarged."""
    places = np.log(ticks / low) / math.log(high / low) * points
    half = np.array([len(short_frequency(t)) for t in ticks]) * _LETTER * PHONE_TEXT_PX / 2.0
    return bool(np.all(np.diff(places) >= half[1:] + half[:-1] + _GAP_POINTS))


def _length_points(axis: Any) -> float:
    """Return an axis's length on the figure."""
    box, dpi = axis.axes.bbox, axis.axes.figure.dpi
    return 72.0 * float(box.width if axis.axis_name == "x" else box.height) / float(dpi)
