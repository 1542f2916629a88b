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
_TICKS, _FEW_TICKS = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0), (1.0, 2.0, 3.0, 5.0, 7.0)
_HEIGHT_IN = 5.0
_TOP_ROW_IN, _BOTTOM_ROW_IN = (2.62, 4.14), (0.52, 1.78)
_SPARE_DB = 5.0  # beside the lowest and the highest level: positions alike look alike
_CLEAR_DB = 10.0  # above the floor: a point of the growth that noise moves by less than 3 dB


def picture(results: Results, one: Resonance, name: str) -> Picture:
    """The figure with its caption."""
    return Picture(
        name,
        partial(plot_resonance, results, one),
        f"Evidence for a resonance at {wording.whole_hertz(one.frequency_hz)}; the sentences below "
        "say the same.",
        "",
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
        that did not clip in the take in which the resonance was found. Bottom: growth, response,
        decay, positions.

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
        _over_radiated(_panel(figure, 0.72, 4.1, _TOP_ROW_IN), take, resonance)
        _over_excitation(_panel(figure, 4.95, 8.38, _TOP_ROW_IN), take, resonance)
        _growth(_panel(figure, 0.72, 2.2, _BOTTOM_ROW_IN), resonance)
        _response(_panel(figure, 2.82, 4.3, _BOTTOM_ROW_IN), take, resonance)
        _decay(_panel(figure, 4.92, 6.3, _BOTTOM_ROW_IN), results, resonance)
        _positions(_panel(figure, 7.0, 8.38, _BOTTOM_ROW_IN), take, resonance)
    return figure


def _panel(figure: Figure, left: float, right: float, row: tuple[float, float]) -> Axes:
    return look.add_axes(figure, left=left, right=right, bottom=row[0], top=row[1])


def _key(figure: Figure) -> None:
    handles = [
        look.key_line(f"H{n}", order_colour(n), linestyle=_DASHES[f"h{n}"], linewidth=1.5)
        for n in ORDERS
    ]
    handles.append(look.key_line("fundamental", look.INK, linewidth=1.5))
    figure.legend(handles=handles, loc="upper right", ncols=5, frameon=False, fontsize=8.5,
                  bbox_to_anchor=(0.985, 1 - 0.08 / _HEIGHT_IN), borderaxespad=0.0,
                  handlelength=2.4, columnspacing=1.4)  # fmt: skip


def _title(axes: Axes, text: str) -> None:
    axes.set_title(text, loc="left", fontsize=8.5, color=look.INK, pad=4.0)


def _frequency_panel(axes: Axes, resonance: Resonance, *, few: bool = False) -> None:
    """Ticks at every third of an octave or so around the resonance, which a line marks."""
    middle = resonance.frequency_hz
    low, high = middle * 2.0**-REACH_OCTAVES, middle * 2.0**REACH_OCTAVES
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    ticks = [t for d in range(5) for t in np.array(_FEW_TICKS if few else _TICKS) * 10.0**d]
    ticks = [float(t) for t in ticks if low * 1.02 < t < high / 1.02]
    look.set_ticks(axes.xaxis, ticks, [wording.short_frequency(t) for t in ticks])
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
            band = axes.fill_between(curve.x, curve.low, curve.high, where=np.isfinite(curve.high),
                                     linewidth=0.0, color=curve.colour, alpha=look.BAND_SHARE,
                                     label="_interval", zorder=2.2)  # fmt: skip
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
    axes.set_ylabel("dB re fundamental")
    _title(axes, "Where they are played, the response divided out")


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
    axes.text(0.04, 0.95, f"dashed: {expected:.0f} dB per dB", transform=axes.transAxes,
              va="top", fontsize=7.5, color=look.QUIET_INK)  # fmt: skip


def _response(axes: Axes, take: Take, resonance: Resonance) -> None:
    _frequency_panel(look.reads(axes, quantity(resonance)), resonance, few=True)
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
    axes.set_xlabel("Peak of the response, dB" if radiated else level)
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
    axes.set_yticks(range(len(known)), [_short(p.position) for p in reversed(known)], fontsize=8.0)
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
