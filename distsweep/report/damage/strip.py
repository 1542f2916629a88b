"""A strip under a figure: which played frequencies damage in the recording touches, in which rung.

One row a rung that is touched, on the figure's own frequency axis; nothing at all where no rung is.
Kinds are told apart by hatching and by name, and what was put right by a dashed outline.
"""

from __future__ import annotations

import math
from collections import Counter
from typing import TYPE_CHECKING

import numpy as np

from distsweep.report import look
from distsweep.results import Damage, Take
from distsweep.words import wording
from distsweep.words.damage import kind_name

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_ROW_IN, _HEAD_IN, _KEY_ROW_IN = 0.165, 0.27, 0.15
_BOX = 0.72  # height of a mark, in rows
_LEAST_IN = 0.04  # of a mark's width: what is narrower could not be seen
_LETTER_IN = 0.055  # mean width of a letter of 7 points
_SPARE_IN = 0.35  # beside a half-width panel's axis
_KINDS_A_ROW = 4
_HATCHES = {
    "click": "||||",
    "knock": "////",
    "noise": "....",
    "muted": "",
    "repeated": "xxxx",
    "lost": "\\\\\\\\",
    "gain_step": "----",
    "automatic_gain": "++++",
    "clipped": "oo",
    "dc_step": "|||",
    "hum": "...",
    "clock": "//..",
    "lossy": "xx..",
}
_BRIDGED = (0, (2.0, 1.4))


def touched(take: Take, rung: int | None = None) -> list[Damage]:
    """Return the damages that touch played frequencies of a rung; of any where it is None."""
    return [
        one
        for one in take.damage
        if one.rung is not None
        and one.low_hz is not None
        and one.high_hz is not None
        and (rung is None or one.rung == rung)
        and one.high_hz >= take.frequency_hz[0]
        and one.low_hz <= take.frequency_hz[-1]
    ]


def height_in(take: Take, rung: int | None = None) -> float:
    """Return the height that the strip takes with its head, 0.0 where it has nothing to show."""
    rows, kinds = _rows(take, rung), _kinds(take, rung)
    if not rows:
        return 0.0
    key_rows = 1 if rung is not None else math.ceil(len(kinds) / _KINDS_A_ROW)
    return _HEAD_IN + len(rows) * _ROW_IN + (key_rows - 1) * _KEY_ROW_IN + 0.06


def draw(
    figure: Figure,
    take: Take,
    *,
    left: float,
    right: float,
    bottom: float,
    beside: Axes,
    rung: int | None = None,
) -> Axes:
    """Draw the strip between two edges, in inches, for all rungs or for one of them.

    For one rung there is no key: the marks' own names have to do. ``beside`` are the axes above.
    """
    rows = _rows(take, rung)
    axes = look.add_axes(
        figure, left=left, right=right, bottom=bottom, top=bottom + len(rows) * _ROW_IN,
        beside=beside,
    )  # fmt: skip
    low_hz, high_hz = beside.get_xlim()
    look.frequency_axis(axes, low_hz, high_hz, minor=rung is None)
    octaves = float(np.log2(high_hz / low_hz))
    for row, number in enumerate(rows):
        _draw_row(axes, row, touched(take, number), octaves_an_inch=octaves / (right - left),
                  spare_in=0.0 if rung is None else _SPARE_IN)  # fmt: skip
        if rung is None:
            axes.text(1.008, row, wording.drive(take.rungs[number].drive_dbfs), ha="left",
                      va="center", fontsize=look.SMALL, color=look.INK,
                      gid="fine" if (len(rows) - 1 - row) % 2 else None,
                      transform=axes.get_yaxis_transform())  # fmt: skip
    axes.set_ylim(-0.6, len(rows) - 0.4)
    axes.set_yticks([])
    axes.grid(False, axis="y")
    axes.spines["left"].set_visible(False)
    axes.set_title("Damage in the recording" if rung is None else "Damage in this rung",
                   loc="left", fontsize=look.SMALL, color=look.QUIET_INK, pad=3.0)  # fmt: skip
    if rung is None:
        _draw_key(axes, _kinds(take, rung))
    return axes


def caption(take: Take, rung: int | None = None) -> str:
    """Explain the strip, where there is one."""
    some = touched(take, rung)
    if not some:
        return ""
    bridged = " Dashed outlines: put right." if any(one.bridged for one in some) else ""
    return (
        " The hatched strip shows the played frequencies that damage in the recording touches, by"
        f" kind; its times are under “What happened to the recording”.{bridged}"
    )


def _rows(take: Take, rung: int | None) -> list[int]:
    """Return the rungs that have a row, quietest first."""
    numbers = {one.rung for one in touched(take, rung) if one.rung is not None}
    return sorted(numbers, key=lambda number: take.rungs[number].drive_dbfs)


def _kinds(take: Take, rung: int | None) -> list[str]:
    return list(dict.fromkeys(one.kind for one in touched(take, rung)))


def _draw_row(
    axes: Axes, row: int, marks: list[Damage], *, octaves_an_inch: float, spare_in: float
) -> None:
    """Draw a rung's marks, and name each kind once, beside a mark where there is room.

    Under half-width panels a name may run past the axis, as nothing stands there.
    """
    low_hz, high_hz = axes.get_xlim()
    spots = []
    for one in marks:
        assert one.low_hz is not None and one.high_hz is not None  # touched() looked
        ends = np.log2(np.clip([one.low_hz, one.high_hz], low_hz, high_hz) / low_hz)
        middle, half = float(ends.mean()), float(ends[1] - ends[0]) / 2.0
        half = max(half, _LEAST_IN * octaves_an_inch / 2.0)
        spots.append((middle - half, middle + half, one))
    spots.sort(key=lambda spot: spot[0])
    counts = Counter(one.kind for one in marks)
    taken, end = 0.0, float(np.log2(high_hz / low_hz)) + spare_in * octaves_an_inch
    for place, (first, last, one) in enumerate(spots):
        start_hz, width_hz = low_hz * 2.0**first, low_hz * (2.0**last - 2.0**first)
        axes.broken_barh([(start_hz, width_hz)], (row - _BOX / 2, _BOX), facecolor=look.PAPER,
                         edgecolor=look.RED, hatch=_HATCHES.get(one.kind, "**"), linewidth=0.7,
                         linestyle=_BRIDGED if one.bridged else "-",
                         label=f"_damage {one.kind} {one.rung}")  # fmt: skip
        count = counts.get(one.kind, 0)
        name = kind_name(one.kind) if count < 2 else f"{count} × {kind_name(one.kind)}"
        name_end = last + (0.05 + len(name) * _LETTER_IN) * octaves_an_inch
        following = spots[place + 1][0] if place + 1 < len(spots) else end
        if count and last >= taken and name_end <= following:
            del counts[one.kind]
            taken = name_end
            axes.text(low_hz * 2.0 ** (last + 0.03 * octaves_an_inch), row, name, va="center",
                      fontsize=7.0, color=look.RED, gid="fine")  # fmt: skip


def _draw_key(axes: Axes, kinds: list[str]) -> None:
    handles = [
        look.key_patch(kind_name(kind), facecolor=look.PAPER, edgecolor=look.RED, linewidth=0.7,
                       hatch=_HATCHES.get(kind, "**"))
        for kind in kinds
    ]  # fmt: skip
    legend = axes.legend(handles=handles, loc="lower right", bbox_to_anchor=(1.0, 1.0),
                         frameon=False, ncols=_KINDS_A_ROW, fontsize=look.SMALL, borderaxespad=0.1,
                         borderpad=0.1, labelspacing=0.15, handlelength=2.0,
                         columnspacing=1.2)  # fmt: skip
    legend.set_gid("fine")
