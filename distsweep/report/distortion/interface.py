"""The interface's own distortion: a floor in the figures, and what it leaves unknown, in words.

Drawn is what of the interface may be in the values shown, which the loop-back's harmonics become on
their way to the microphone; the sentence says what the loop-back itself shows.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from distsweep.analysis.noise.interval import RELIABLE_HALF_WIDTH_DB
from distsweep.report import look, reliability
from distsweep.report.figure_data import Curve
from distsweep.report.lines import Line
from distsweep.results import HarmonicCurve, Results, Rung, Take
from distsweep.units import BoolArray, FloatArray, db_to_percent, db_to_ratio, ratio_to_db
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.lines import Line2D

NAME = "interface, at most"
"""What the floor is called in legends and keys."""

_DASH = (1.0, 1.6)
"""Dots of a line's width, and gaps (chosen by eye: no other line of these figures is dotted)."""
_WIDTH = 1.5
_PAGE_DASH = "2 3.2"  # the same, as the page's legend draws it

_TAG_MARGIN = 30
"""Points of the grid at either end of the floor that bear no tag (chosen: at 48 an octave, so that
the tag's half lies within the axes)."""

_SPREAD = float(db_to_ratio(2.0 * RELIABLE_HALF_WIDTH_DB))
TOO_CLOSE_DB = float(ratio_to_db((_SPREAD - 1.0) / (_SPREAD + 1.0)))
"""An interface that reaches this level re a value, −15.3 dB, leaves it less well known than a
reliable one by itself: p + b over p − b is then 3 dB, by the definition of reliable."""

_LEAST_KNOWN = 0.1
"""Share of an order's points at which the loop-back must show more than noise, to be drawn (chosen:
of noise alone it seems to at one in forty)."""

_LEAST_SHARE = 0.02
"""Of a curve's points, so many must be left unknown to be worth a sentence (chosen: a few points
beside a dip of the response are not)."""


def loudest_known(take: Take) -> Rung | None:
    """Return the loudest rung that did not clip and has an interface's floor, else None."""
    known = [
        rung
        for rung in take.rungs
        if not rung.clipped and np.any(np.isfinite(rung.thd_interface_reach_db))
    ]
    return max(known, key=lambda rung: rung.drive_dbfs, default=None)


def shown(curve: HarmonicCurve) -> FloatArray:
    """Return a harmonic's floor where the loop-back shows one; of length 0 where it hardly does."""
    inside = np.isfinite(curve.interface_reach_db)
    known = np.isfinite(curve.interface_db)
    if np.sum(known) < max(1.0, _LEAST_KNOWN * np.sum(inside)):
        return np.zeros(0)
    return curve.interface_reach_db


def curves(
    take: Take, rung: Rung | None, reach_db: FloatArray, *, key: str, name: str = NAME
) -> list[Curve]:
    """Return the floor as a curve of a figure's numbers; none without a loop-back."""
    if rung is None or not reach_db.size:
        return []
    return [
        Curve(
            key=key, name=name, quantity="The interface's own distortion, dB re fundamental",
            x=take.frequency_hz, values=reach_db, re_fundamental=True,
            drive_dbfs=rung.drive_dbfs, spl_db=rung.spl_db, colour=look.QUIET_INK,
            dash=_PAGE_DASH,
        )
    ]  # fmt: skip


def draw(axes: Axes, frequency_hz: FloatArray, reach_db: FloatArray, *, key: str) -> None:
    """Draw the floor as a dotted line; nothing without a loop-back."""
    if reach_db.size:
        with look.drawn_as(axes, key):
            axes.plot(frequency_hz, reach_db, color=look.QUIET_INK, linewidth=_WIDTH,
                      linestyle=(0, _DASH), label=NAME, zorder=2.6)  # fmt: skip


def draw_tag(
    axes: Axes, frequency_hz: FloatArray, reach_db: FloatArray, lines: Sequence[Line], *, key: str
) -> None:
    """Name the floor where it lies farthest from all lines; not where it is not in view."""
    low_db, high_db = axes.get_ylim()
    inside = (reach_db > low_db) & (reach_db < high_db) if reach_db.size else np.zeros(0, bool)
    places = np.flatnonzero(inside)[_TAG_MARGIN:-_TAG_MARGIN]
    if not places.size:
        return
    shown = np.array([line.shown for line in lines])[:, places]
    apart_db = np.min(np.abs(np.nan_to_num(shown, nan=1e3) - reach_db[places]), axis=0)
    at = places[int(np.argmax(apart_db))]
    with look.drawn_as(axes, key):
        look.tag(axes, float(frequency_hz[at]), float(reach_db[at]), "interface", weight="normal",
                 color=look.QUIET_INK, label="_tag interface")  # fmt: skip


def key_sign() -> Line2D:
    """Return the floor's sign in a key."""
    return look.key_line(NAME, look.QUIET_INK, linewidth=_WIDTH, linestyle=(0, _DASH))


def caption(take: Take) -> str:
    """Say in a figure's caption what the dotted line is; nothing without a loop-back."""
    if loudest_known(take) is None:
        return ""
    return " Dotted: what the interface may have made itself, by its loop-back."


def what_hides(take: Take) -> str:
    """Name what may hide distortion: noise, and the interface where a loop-back shows its own."""
    return "noise" if loudest_known(take) is None else "noise, or the interface's own,"


def too_close(level_db: FloatArray, high_db: FloatArray, reach_db: FloatArray) -> BoolArray:
    """Tell where the interface alone leaves a value less well known than a reliable one is."""
    if not reach_db.size:
        return np.zeros(level_db.shape, dtype=bool)
    there_db = np.where(np.isfinite(level_db), level_db, high_db)
    with np.errstate(invalid="ignore"):
        return np.asarray(reach_db - there_db > TOO_CLOSE_DB)


def sentence(_results: Results, take: Take) -> str | None:
    """Say what the interface makes itself, and where that leaves the loudspeaker's unknown."""
    rung = loudest_known(take)
    if rung is None:
        return None
    where = f"At {wording.drive(rung.drive_dbfs)} the interface itself"
    sizes_db = {
        order: float(np.nanmedian(curve.interface_reach_db))
        for order, curve in rung.harmonics.items()
        if shown(curve).size
    }
    order = max(sizes_db, key=lambda n: sizes_db[n], default=None)
    most_db = rung.thd_interface_high_db[np.isfinite(rung.thd_interface_high_db)]
    if order is None:
        if not most_db.size:
            return None
        most = wording.percent(float(db_to_percent(np.max(most_db))))
        return f"{where} makes {most} of THD at most (loop-back): no more than noise is seen of it."
    curve = rung.harmonics[order]
    flags = too_close(curve.level_db, curve.high_db, curve.interface_reach_db)
    own = curve.interface_db[np.isfinite(curve.interface_db)]
    percent = wording.percent(float(db_to_percent(np.median(own))))
    made = f"{where} makes {percent} of H{order}, its largest harmonic (loop-back)"
    covered = reliability.coverage(take.frequency_hz, flags)
    if covered is None or covered.share < _LEAST_SHARE:
        return f"{made}, too little to matter beside the loudspeaker's."
    gaps = ", with gaps" if covered.pieces > 1 else ""
    band = wording.frequency_range(covered.low_hz, covered.high_hz)
    return (
        f"{made}, which alone leaves the loudspeaker's not known within"
        f" {RELIABLE_HALF_WIDTH_DB:g} dB from {band}{gaps}."
    )
