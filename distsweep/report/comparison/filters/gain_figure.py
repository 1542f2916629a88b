"""The filters' own gain against frequency."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from distsweep.report import look
from distsweep.report.comparison.filters.predicted import Predicted
from distsweep.report.comparison.overlay_figure import (
    KEY_COLUMNS,
    WIDTHS,
    head_height_in,
    key_of,
)
from distsweep.report.comparison.strokes import stroke_of
from distsweep.report.content import Picture
from distsweep.report.figure_data import Curve, FigureData
from distsweep.units import FloatArray
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_HIGH_IN, _FOOT_IN = 2.2, 0.57
_MOST_DOWN_DB = 40.0  # a pass filter's gain is cut off below (chosen: nothing is heard there)
_QUANTITY = "Gain, dB"


def gain_picture(what: Predicted, frequency_hz: FloatArray, gains: Sequence[FloatArray]) -> Picture:
    """The figure with its caption; ``gains`` are those of each set of filters."""
    return Picture(
        "filter-gain",
        partial(plot_gain, what, frequency_hz, gains),
        f"Gain of {wording.listed(what.names[1:])} against frequency.",
        "",
        "",
        data=partial(_data, what, frequency_hz, gains),
    )


def _data(what: Predicted, frequency_hz: FloatArray, gains: Sequence[FloatArray]) -> FigureData:
    curves = []
    for source, gain in enumerate(gains, start=1):
        if source in what.drawn:
            stroke = stroke_of(source)
            curves.append(Curve(f"set-{source}", what.names[source], _QUANTITY, frequency_hz, gain,
                                colour=stroke.colour, dash=stroke.css_dash))  # fmt: skip
    return FigureData("frequency", curves)


def plot_gain(what: Predicted, frequency_hz: FloatArray, gains: Sequence[FloatArray]) -> Figure:
    """Draw the gain of each set of filters that is drawn."""
    with look.our_look():
        shown = [source for source in what.drawn if source]
        figure = look.new_figure(_FOOT_IN + _HIGH_IN + head_height_in(len(shown)))
        look.heading(figure, "Gain of the filters", "For a sine, at the filters' own rate.")
        look.key(figure, [key_of(what.names, one) for one in shown], columns=KEY_COLUMNS)
        axes = look.add_axes(figure, left=look.LEFT_IN, right=look.RIGHT_IN, bottom=_FOOT_IN,
                             top=_FOOT_IN + _HIGH_IN)  # fmt: skip
        low_hz, high_hz = look.frequency_limits(float(frequency_hz[0]), float(frequency_hz[-1]))
        look.frequency_axis(look.reads(axes, "frequency"), low_hz, high_hz)
        drawn = np.concatenate([gains[source - 1] for source in shown])
        finite = drawn[np.isfinite(drawn)]
        low = max(float(np.min(finite, initial=-1.0)), -_MOST_DOWN_DB)
        look.decibel_axis(axes, np.floor(low) - 1.0, np.ceil(np.max(finite, initial=1.0)) + 1.0)
        axes.axhline(0.0, color=look.INK, linewidth=0.9, label="_zero", zorder=2)
        axes.set_ylabel(_QUANTITY)
        axes.set_xlabel(wording.EXCITATION_AXIS)
        for source in shown:
            stroke = stroke_of(source)
            with look.drawn_as(axes, f"set-{source}"):
                axes.plot(frequency_hz, gains[source - 1], color=stroke.colour, linewidth=WIDTHS[0],
                          linestyle=stroke.linestyle, label=what.names[source])  # fmt: skip
    return figure
