"""An axis of time whose ticks are in milliseconds, while what is drawn is in seconds.

So a cursor reads the same unit off every figure that has time across.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def millisecond_axis(axes: Axes, first_s: float, last_s: float, *, label: str) -> None:
    """Let x run over these times, its ticks in milliseconds."""
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    axes.set_xlim(first_s, last_s)
    axes.xaxis.set_major_locator(MaxNLocator(nbins=5, steps=[1, 2, 5, 10]))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda time_s, _: wording.plain(1e3 * time_s)))
    axes.set_xlabel(label)
