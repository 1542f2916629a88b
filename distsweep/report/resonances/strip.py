"""A resonance on one strip: what the eye needs to judge it, lined up on one frequency."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from distsweep.report import look
from distsweep.report.content import Picture
from distsweep.report.figure_data import Curve
from distsweep.report.reliability import loudest_rung
from distsweep.report.resonances.curves import (
    ORDERS,
    REACH_OCTAVES,
    data,
    is_heard,
    lead_take,
    order_colour,
    order_curves,
    quantity,
    response_curve,
)
from distsweep.results import Resonance, Results, Take
from distsweep.units import FloatArray
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_DASHES: dict[str, Any] = {"h2": "-", "h3": "-", "h4": (0, (4, 1.6)), "h5": (0, (4, 1.6))}
_BESIDE_OCTAVES = 0.4
_PANEL_IN, _GAP_IN, _FOOT_IN, _HEAD_IN = 1.28, 0.80, 0.57, 1.0
_HEIGHT_IN = _HEAD_IN + 3 * _PANEL_IN + 2 * _GAP_IN + _FOOT_IN
_LEFT_IN, _BETWEEN_IN, _RIGHT_MARGIN_IN = 0.86, 0.92, 0.2  # beside panels: names of ticks, a label
_NAMES_IN = 0.28  # more, left of the positions, whose names are words
_SPARE_DB = 5.0  # beside the lowest and the highest level: positions alike look alike
_CLEAR_DB = 10.0  # above the floor: a point of the growth that noise moves by less than 3 dB


def picture(results: Results, one: Resonance, name: str) -> Picture:
    """The figure with its caption."""
    return Picture(
        name,
        partial(plot_resonance, results, one),
        f"Evidence for a resonance at {wording.whole_hertz(one.frequency_hz)}; the sentences below "
        "say the same.",
        "Upper right: with the response divided out.",
        "A peak of the response lifts whatever lands on it, a resonance's or a reflection's: "
        "compare the positions. Two peaks can line up by chance.",
        data=partial(data, results, one),
        position=lead_take(results, one).position,
    )


def plot_resonance(results: Results, resonance: Resonance) -> Figure:
    """Draw one resonance's evidence side by side.

    Parameters
    ----------
    results
        What ``analyse`` found.
    resonance
        One of ``results.resonances``.

    Returns
    -------
    matplotlib.figure.Figure
        Top: harmonics over the frequency heard and over excitation frequency, at the highest drive
        that did not clip in the take in which the resonance was found. Below: growth and response,
        decay and positions.

    Notes
    -----
    Only what stands 6 dB above its floor is drawn, its interval shaded. The two upper panels show
    the same measurement; in the left one a harmonic stands where it is heard, in the right one
    where it was played, with the linear response divided out.
    """
    take = lead_take(results, resonance)
    rung = loudest_rung(take)
    with look.our_look():
        figure = look.new_figure(_HEIGHT_IN)
        look.heading(
            figure,
            f"{wording.whole_hertz(resonance.frequency_hz)}, {resonance.kind}: confidence "
            f"{wording.confidence(resonance.confidence)}",
            f"Found at “{take.position}”, drawn at {wording.rung_name(rung)}. The red line is "
            f"{wording.whole_hertz(resonance.frequency_hz)}."
            + (" Shaded: 95 % intervals." if rung.thd_high_db.size else ""),
        )
        _key(figure)
        _over_radiated(_panel(figure, 0, 0), take, resonance)
        _over_excitation(_panel(figure, 0, 1), take, resonance)
        _growth(_panel(figure, 1, 0), resonance)
        _response(_panel(figure, 1, 1), take, resonance)
        _decay(_panel(figure, 2, 0), results, resonance)
        _positions(_panel(figure, 2, 1, indent_in=_NAMES_IN), take, resonance)
    return figure


def _panel(figure: Figure, row: int, column: int, *, indent_in: float = 0.0) -> Axes:
    width = (look.WIDTH_IN - _LEFT_IN - _BETWEEN_IN - _RIGHT_MARGIN_IN) / 2.0
    left = _LEFT_IN + column * (width + _BETWEEN_IN)
    top = _HEIGHT_IN - _HEAD_IN - row * (_PANEL_IN + _GAP_IN)
    axes = look.add_axes(
        figure, left=left + indent_in, right=left + width, bottom=top - _PANEL_IN, top=top
    )
    axes.yaxis.set_label_coords(-0.66 / width, 0.5)
    return axes


def _key(figure: Figure) -> None:
    handles = [
        look.key_line(f"H{n}", order_colour(n), linestyle=_DASHES[f"h{n}"], linewidth=1.5)
        for n in ORDERS
    ]
    handles.append(look.key_line("fundamental", look.INK, linewidth=1.5))
    look.key(figure, handles, columns=5)


def _title(axes: Axes, text: str) -> None:
    axes.set_title(text, loc="left", color=look.INK, pad=4.0)


def _frequency_panel(axes: Axes, resonance: Resonance) -> None:
    """Make x run around the resonance, which a line marks."""
    middle = resonance.frequency_hz
    reach = 2.0**REACH_OCTAVES
    look.frequency_axis(axes, middle / reach, middle * reach, minor=False)
    axes.axvline(middle, color=look.RED, linewidth=0.9, label="_resonance", zorder=1.5)


def _fit_levels(axes: Axes, curves: list[FloatArray], *, least_db: float = 10.0) -> None:
    """Limits that hold the curves drawn, and a range of ``least_db`` at least."""
    shown = np.concatenate([curve[np.isfinite(curve)] for curve in curves] or [np.empty(0)])
    if not shown.size:
        axes.set_ylim(-1.0, 1.0)
        axes.set_yticks([])
        look.say(axes, "all in the noise")
        return
    low, high = float(shown.min()), float(shown.max())
    spare = max(0.0, least_db - (high - low)) / 2.0
    look.decibel_axis(axes, low - spare - 1.5, high + spare + 1.5)


def _orders(axes: Axes, curves: list[Curve], resonance: Resonance) -> None:
    """Draw what stands clear of its floor, its interval shaded."""
    _frequency_panel(axes, resonance)
    for curve in curves:
        if curve.high.size:
            band = look.fill_band(axes, curve.x, curve.low, curve.high, color=curve.colour,
                                  alpha=look.BAND_SHARE, label="_interval",
                                  zorder=2.2)  # fmt: skip
            look.belongs_to(curve.key, band)
        line = axes.plot(curve.x, curve.values, color=curve.colour, linestyle=_DASHES[curve.key],
                         linewidth=1.4, label=curve.key.upper(), zorder=3)  # fmt: skip
        look.belongs_to(curve.key, *line)
    _fit_levels(axes, [curve.values for curve in curves])


def _over_radiated(axes: Axes, take: Take, resonance: Resonance) -> None:
    _orders(axes, order_curves(take, resonance, heard=True), resonance)
    if is_heard(resonance):
        look.reads(axes, quantity(resonance))
    axes.set_xlabel(wording.HEARD_AXIS)
    axes.set_ylabel(wording.level_axis(take))
    _title(axes, "Where harmonics are heard")


def _over_excitation(axes: Axes, take: Take, resonance: Resonance) -> None:
    _orders(axes, order_curves(take, resonance, heard=False), resonance)
    if not is_heard(resonance):
        look.reads(axes, quantity(resonance))
    axes.set_xlabel(wording.EXCITATION_AXIS)
    axes.set_ylabel("dB re fund.")
    _title(axes, "Where they are played")  # with the response divided out, says the caption


def _growth(axes: Axes, resonance: Resonance) -> None:
    points = resonance.growth
    order = points[0].order if points else 0
    _title(axes, f"Growth of H{order}" if points else "Growth")
    axes.set_xlabel("Drive, dBFS")
    axes.set_ylabel("dB re fund.")
    known = [p for p in points if math.isfinite(p.level_db)]
    if not known:
        _say(axes, "not known")
        return
    for clear in (True, False):
        some = [p for p in known if (p.above_floor_db >= _CLEAR_DB) == clear]
        axes.plot([p.drive_dbfs for p in some], [p.level_db for p in some], linestyle="none",
                  marker="o", markersize=4.5, color=look.INK,
                  markerfacecolor=look.INK if clear else look.PAPER,
                  label="_clear" if clear else "_near the noise", zorder=3)  # fmt: skip
    sure = [p for p in known if p.above_floor_db >= _CLEAR_DB] or known
    top = max(sure, key=lambda p: p.drive_dbfs)
    drives = np.array([min(p.drive_dbfs for p in known), top.drive_dbfs])
    expected = resonance.expected_growth_db_per_db or 0.0
    axes.plot(drives, top.level_db + expected * (drives - top.drive_dbfs), color=look.QUIET_INK,
              linewidth=1.0, linestyle=(0, (3, 2)), label="_expected", zorder=2)  # fmt: skip
    _fit_levels(axes, [np.array([p.level_db for p in known])], least_db=6.0)
    axes.margins(x=0.12)
    look.decibel_ticks(axes.xaxis)
    axes.text(0.04, 0.95, f"dashed: {expected:.0f} dB per dB", transform=axes.transAxes,
              va="top", fontsize=look.SMALL, color=look.QUIET_INK, gid="fine")  # fmt: skip


def _response(axes: Axes, take: Take, resonance: Resonance) -> None:
    _frequency_panel(look.reads(axes, quantity(resonance)), resonance)
    curve = response_curve(take, resonance)
    line = axes.plot(curve.x, curve.values, color=curve.colour, linewidth=1.4, label="fundamental",
                     zorder=3)  # fmt: skip
    look.belongs_to(curve.key, *line)
    _fit_levels(axes, [curve.values], least_db=12.0)
    axes.set_xlabel(wording.EXCITATION_AXIS)
    axes.set_ylabel(wording.level_unit(take))
    _title(axes, "Response")


def _decay(axes: Axes, results: Results, resonance: Resonance) -> None:
    _title(axes, "Decay")
    axes.set_xlabel("After direct sound, ms")
    axes.set_ylabel("dB")
    take = decay_take(results, resonance)
    if take is None or take.decay_map is None:
        _say(axes, "no impulse response")
        return
    decay = take.decay_map
    time_ms = 1000.0 * decay.time_s
    for octaves, colour, width in (
        (-_BESIDE_OCTAVES, look.paler(look.QUIET_INK), 1.0),
        (_BESIDE_OCTAVES, look.paler(look.QUIET_INK), 1.0),
        (0.0, look.INK, 1.5),
    ):
        at_hz = resonance.frequency_hz * 2.0**octaves
        row = int(np.argmin(np.abs(np.log(decay.frequency_hz / at_hz))))
        axes.plot(time_ms, decay.level_db[row], color=colour, linewidth=width,
                  label="_here" if octaves == 0.0 else "_beside",
                  zorder=2 + (octaves == 0.0))  # fmt: skip
    if decay.reflection_s is not None:
        axes.axvline(1000.0 * decay.reflection_s, color=look.QUIET_INK, linewidth=0.9,
                     linestyle=(0, (2, 2)), label="_reflection", zorder=1.5)  # fmt: skip
    axes.set_xlim(0.0, float(time_ms[-1]))
    look.decibel_axis(axes, decay.floor_db, 2.0, step=10.0)
    axes.text(0.97, 0.94, f"“{_short(take.position)}”", transform=axes.transAxes, ha="right",
              va="top", fontsize=8.0, color=look.QUIET_INK)  # fmt: skip


def decay_take(results: Results, resonance: Resonance) -> Take | None:
    """The take whose decay says most of a resonance: where it is strongest, or the lead."""
    wanted = [p.position for p in resonance.positions if p.state == "strongest"]
    lead = lead_take(results, resonance)
    takes = [t for t in results.takes if t.position in wanted] + [lead]
    return next((take for take in takes if take.decay_map is not None), None)


def _positions(axes: Axes, take: Take, resonance: Resonance) -> None:
    """Heights of the response's peak as bars; levels, which have no zero, as dots."""
    radiated = resonance.kind == "radiated"
    _title(axes, "Peak by position" if radiated else "Level by position")
    axes.grid(False, axis="y")
    level = f"Product's level, {wording.level_unit(take)}"
    axes.set_xlabel("Peak of the response, dB" if radiated else level, ha="right")
    axes.xaxis.label.set_x(1.0)  # it is wider than the panel when it is enlarged
    known = resonance.positions[:6]
    if len(known) < 2:
        axes.set_xticks([])
        axes.set_yticks([])
        _say(axes, "one position only")
        return
    drawn = []
    for place, position in enumerate(known):
        value = position.fundamental_bump_db if radiated else position.level_db
        colour = look.RED if position.state == "strongest" else look.QUIET_INK
        row = len(known) - 1 - place
        if value is None or not math.isfinite(value):
            continue
        drawn.append(value)
        if radiated:
            axes.barh(
                row, max(value, 0.0), height=0.55, color=colour, label=f"_{position.position}"
            )
        else:
            axes.plot([value], [row], linestyle="none", marker="o", markersize=6.5, color=colour,
                      label=f"_{position.position}")  # fmt: skip
    axes.set_yticks(range(len(known)), [_short(p.position) for p in reversed(known)])
    axes.set_ylim(-0.6, len(known) - 0.4)
    if radiated:
        axes.set_xlim(left=0.0)
    elif drawn:
        axes.set_xlim(min(drawn) - _SPARE_DB, max(drawn) + _SPARE_DB)


def _short(text: str) -> str:
    return text if len(text) <= 10 else f"{text[:9]}…"


def _say(axes: Axes, text: str) -> None:
    axes.set_xticks([])
    axes.set_yticks([])
    look.say(axes, text)
