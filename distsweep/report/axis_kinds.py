"""The axes of figures: frequency, decibels, percent; their ticks follow their limits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from distsweep.flag_runs import runs_of
from distsweep.report import palette
from distsweep.report.figure_parts import on_the_right
from distsweep.units import FloatArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.collections import PolyCollection

RIGHT_MARGIN_IN = 0.98  # holds "−10 dBFS", or percent and their label, enlarged on small screens
LEFT_IN = 0.90
"""Left edge of axes that have the figure's width to themselves, whose right edge is
``look.RIGHT_IN``: beside it "−100" and a label have room, enlarged on small screens."""


def frequency_limits(low_hz: float, high_hz: float) -> tuple[float, float]:
    """Ends of a frequency axis: the style's, if it fixes them."""
    return palette.now().style.frequency_hz or (low_hz, high_hz)


def decade_in(low_hz: float, high_hz: float) -> float:
    """Length of a decade on axes that have the figure's width to themselves, inches."""
    width_in = palette.now().style.width_in - RIGHT_MARGIN_IN - LEFT_IN
    return width_in / max(float(np.log10(high_hz / low_hz)), 0.1)


def set_ticks(axis: Axis, places: Sequence[float], names: Sequence[str]) -> None:
    """Give an axis these ticks and names, and no small ones: for what is no number."""
    from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

    axis.set_major_locator(FixedLocator(list(places)))
    axis.set_major_formatter(FixedFormatter(list(names)))
    axis.set_minor_locator(NullLocator())


def frequency_axis(axes: Axes, low_hz: float, high_hz: float, *, minor: bool = True) -> None:
    """Make x a log-frequency axis with ticks at 20, 50, 100, 200 …"""
    from matplotlib.ticker import NullFormatter, NullLocator

    from distsweep.report.ticks import FrequencyNames, FrequencyTicks, SmallFrequencyTicks

    axes.set_xscale("log")
    axes.set_xlim(low_hz, high_hz)
    axes.xaxis.set_major_locator(FrequencyTicks())
    axes.xaxis.set_major_formatter(FrequencyNames())
    axes.xaxis.set_minor_locator(SmallFrequencyTicks() if minor else NullLocator())
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.tick_params(axis="x", which="minor", length=2.0)


def decibel_axis(axes: Axes, low_db: float, high_db: float, *, step: float | None = None) -> None:
    """Make y run over a decibel range with ticks at whole steps and a true minus sign."""
    axes.set_ylim(low_db, high_db)
    decibel_ticks(axes.yaxis, step=step)


def decibel_ticks(axis: Axis, *, step: float | None = None) -> None:
    """Give an axis ticks at whole steps of decibels, of its own choice where none is given."""
    from matplotlib.ticker import NullLocator

    from distsweep.report.ticks import DecibelNames, DecibelTicks

    ticks = DecibelTicks(step)
    axis.set_major_locator(ticks)
    axis.set_major_formatter(DecibelNames(ticks))
    axis.set_minor_locator(NullLocator())


def points_to_db(axes: Axes, points: float) -> float:
    """Decibels that a mark of so many points covers on a decibel axis that has its limits."""
    low_db, high_db = axes.get_ylim()
    height_points = 72.0 * axes.bbox.height / axes.figure.dpi
    return float((high_db - low_db) * points / height_points)


def tick_step_db(span_db: float) -> float:
    """Distance between ticks that gives some four to ten of them."""
    return next((s for s in (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0) if span_db / s <= 10.0), 20.0)


def percent_axis(axes: Axes, label: str) -> Axes:
    """Give a decibel axis its percent twin on the right: 0 dB is 100 %. It follows the axis."""
    from matplotlib.ticker import NullLocator

    from distsweep.report.quick_axes import QuickAxes
    from distsweep.report.ticks import PercentNames, PercentTicks

    figure: Any = axes.figure
    twin: Axes = figure.add_axes(axes.get_position(), axes_class=QuickAxes, sharex=axes,
                                 label=f"percent of {len(figure.axes)}")  # fmt: skip
    twin.set_ylim(axes.get_ylim())
    axes.callbacks.connect("ylim_changed", lambda changed: twin.set_ylim(changed.get_ylim()))
    twin.yaxis.set_major_locator(PercentTicks())
    twin.yaxis.set_major_formatter(PercentNames())
    twin.yaxis.set_minor_locator(NullLocator())
    on_the_right(twin)
    twin.set_ylabel(label)
    twin.patch.set_visible(False)
    twin.xaxis.set_visible(False)
    for side in ("top", "left", "bottom"):
        twin.spines[side].set_visible(False)
    twin.grid(False)
    return twin


def fill_band(
    axes: Axes, x: FloatArray, low: FloatArray, high: FloatArray, **style: Any
) -> PolyCollection:
    """Fill between two curves where both are known; the axes' limits stay as they are."""
    known = np.isfinite(low) & np.isfinite(high)
    corners = [
        np.column_stack([
            np.concatenate((x[a:b], x[a:b][::-1])), np.concatenate((low[a:b], high[a:b][::-1]))
        ])
        for a, b in runs_of(known)
    ]  # fmt: skip
    return _polygons(axes, corners, style)


def draw_boxes(
    axes: Axes, spans: Sequence[tuple[float, float]], low: float, high: float, **style: Any
) -> PolyCollection:
    """Fill boxes from left to right ends, all between two heights."""
    corners = [np.array([(a, low), (a, high), (b, high), (b, low)]) for a, b in spans]
    return _polygons(axes, corners, style)


def _polygons(axes: Axes, corners: list[FloatArray], style: dict[str, Any]) -> PolyCollection:
    """Add polygons without a look at the axes' limits, which takes long."""
    from matplotlib.collections import PolyCollection

    polygons = PolyCollection(corners, linewidth=0.0, **style)
    axes.add_collection(polygons, autolim=False)
    return polygons


def draw_floor(axes: Axes, frequency_hz: FloatArray, floor_db: FloatArray) -> None:
    """Shade all that lies under a noise floor."""
    from matplotlib.patches import Polygon

    bottom = axes.get_ylim()[0]
    level = np.maximum(floor_db, bottom)
    for first, end in runs_of(np.isfinite(floor_db)):
        x = frequency_hz[first:end]
        outline = np.concatenate(([bottom], level[first:end], [bottom]))
        corners = np.column_stack([np.concatenate((x[:1], x, x[-1:])), outline])
        # An artist that the axes' limits need not hold: to see whether they do takes long.
        axes.add_artist(Polygon(corners, linewidth=0.0, color=palette.now().palette.noise,
                                label="_floor", zorder=1))  # fmt: skip
