"""Small triangles over the narrow peaks of a curve, and the words on them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from distsweep.report import look
from distsweep.report.reliability import loudest_index
from distsweep.results import SAME_DRIVE_DB, Take
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_ABOVE = 0.022  # of the axes' height: clear of the line, near enough to be its own


def mark(axes: Axes, take: Take, order: int | None, *, drive_dbfs: float | None = None) -> None:
    """Mark the peaks of a harmonic, or of THD (``order`` None), of one rung.

    The rung is the loudest that did not clip where ``drive_dbfs`` is None. Call it when the
    axes have their limits.
    """
    if not take.spikes or not take.rungs:
        return
    drive = take.rungs[loudest_index(take)].drive_dbfs if drive_dbfs is None else drive_dbfs
    low, high = axes.get_ylim()
    spots = [
        (spike.frequency_hz, spike.level_db + _ABOVE * (high - low))
        for spike in take.spikes
        if spike.order == order and abs(spike.drive_dbfs - drive) < SAME_DRIVE_DB
    ]
    spots = [(x, y) for x, y in spots if low <= y <= high]
    if spots:
        axes.plot(*zip(*spots, strict=True), linestyle="none", marker="v", markersize=4.2,
                  color=look.RED, markeredgewidth=0.0, label="_spikes", zorder=5)  # fmt: skip


def caption(take: Take) -> str:
    """Explain the triangles, where there are any."""
    if not take.spikes:
        return ""
    drive = wording.drive(take.rungs[loudest_index(take)].drive_dbfs)
    return f" Triangles mark the narrow peaks at {drive}."
