"""Figures of one take: pure functions from a take to a matplotlib figure.

Imported only when a figure is drawn; `distsweep.report` hands its functions out lazily.
"""

from __future__ import annotations

import numpy as np

from distsweep.report import look
from distsweep.report.harmonic_panels import harmonic_panels
from distsweep.report.ladder_chart import ONE_STATE, Line, ladder_chart, mark_order_ends
from distsweep.report.reliability import (
    Standing,
    fundamental_standing,
    gain_change_reliable,
    harmonic_standing,
    loudest_index,
    order_ends_hz,
    reference_index,
    thd_reliable,
    thd_standing,
)
from distsweep.report.resonance_marks import mark_spikes
from distsweep.results import Rung, Take
from distsweep.units import FloatArray
from distsweep.words import wording

_MOST_LEVEL_SPAN_DB = 80.0  # chosen so that 5 dB can still be read off
_MOST_THD_SPAN_DB = 110.0
_LEAST_THD_SPAN_DB = 40.0


def plot_fundamental(take: Take) -> look.ReportFigure:
    """Fundamental against frequency, one line a rung, over the noise floor.

    Parameters
    ----------
    take
        A take of a ladder.

    Returns
    -------
    matplotlib.figure.Figure
        Levels in the take's own unit; a full line stands 25 dB above its floor, a
        pale one 6 dB, and nothing else is drawn.

    Raises
    ------
    ValueError
        The take holds no rung.

    Notes
    -----
    The lines show the loudspeaker, the place and the room together. The shaded floor is the
    highest of all rungs.
    """
    _needs_rungs(take)
    lines = [
        Line(rung.fundamental_db, fundamental_standing(take, index))
        for index, rung in enumerate(take.rungs)
    ]
    floor = _highest_floor(take)
    limits = _level_limits(lines, floor)
    below = not np.any(floor > limits[0])
    with look.our_look():
        figure, axes = ladder_chart(
            take,
            lines,
            title="Fundamental at each level",
            subtitle="Number on a line: drive in dBFS. "
            + ("The noise floor lies below the picture." if below else "Grey: noise floor."),
            limits_db=limits,
        )
        axes.set_ylabel(wording.level_axis(take))
        look.draw_floor(axes, take.frequency_hz, floor)
    return figure


def plot_thd(take: Take) -> look.ReportFigure:
    """THD re the fundamental against frequency, one line a rung; dB on the left, % on the right.

    Parameters
    ----------
    take
        A take of a ladder.

    Returns
    -------
    matplotlib.figure.Figure
        Reliable THD is a full line, uncertain THD a pale hair line, noise is not drawn; the
        strip below shows where. Marks along the top show where a harmonic leaves the band.

    Raises
    ------
    ValueError
        The take holds no rung.

    Notes
    -----
    THD sums only the orders that still lie inside the measured band, so it loses orders
    towards high frequencies and ends where not even the second fits. Where a quiet level has
    no line, its distortion is not low but hidden.
    """
    _needs_rungs(take)
    lines = [Line(r.thd_db, thd_standing(r)) for r in take.rungs]
    with look.our_look():
        figure, axes = ladder_chart(
            take,
            lines,
            title="Total harmonic distortion at each level",
            subtitle="Number on a line: drive in dBFS. Re the fundamental at the same frequency.",
            limits_db=_thd_limits(_reliable(lines), _uncertain(lines)),
        )
        axes.set_ylabel("THD, dB re fundamental")
        look.percent_axis(axes, "THD, % of fundamental")
        mark_order_ends(axes, order_ends_hz(take))
        mark_spikes(axes, take, None)
    return figure


def plot_gain_change(take: Take) -> look.ReportFigure:
    """Gain change against frequency re the reference rung, one line a rung.

    Parameters
    ----------
    take
        A take of a ladder with compression computed.

    Returns
    -------
    matplotlib.figure.Figure
        0 dB: output follows drive. Below: compression. Drawn only where both fundamentals
        stand 25 dB above their floors: there noise moves it by half a decibel or less (RMS).

    Raises
    ------
    ValueError
        The take holds no rung, or no gain change was computed.
    """
    _needs_rungs(take)
    reference = reference_index(take)
    if take.compression is None or reference is None:
        raise ValueError(
            "take has no gain change: it needs a reference rung; analyse a ladder of two or more"
        )
    nowhere = np.zeros(take.frequency_hz.shape, dtype=bool)
    lines = [
        Line(gain, Standing(gain_change_reliable(take, index), nowhere))
        for index, gain in enumerate(take.compression.gain_change_db)
    ]
    lines[reference] = Line(
        lines[reference].values, Standing(nowhere, nowhere), "reference: 0 dB by itself"
    )
    name = wording.drive(take.rungs[reference].drive_dbfs)
    with look.our_look():
        figure, axes = ladder_chart(
            take,
            lines,
            title="Gain change at each level",
            subtitle=f"Number on a line: drive in dBFS. Reference: {name}. Below 0: compression.",
            limits_db=_gain_limits(lines),
            legend=ONE_STATE,
        )
        axes.set_ylabel("Gain change, dB re reference rung")
        axes.axhline(0.0, color=look.QUIET_INK, linewidth=1.0, label="_zero", zorder=2)
    return figure


def plot_harmonics(take: Take, *, drive_dbfs: float | None = None) -> look.ReportFigure:
    """Each harmonic of one rung in a panel of its own, over its floor.

    Parameters
    ----------
    take
        A take of a ladder.
    drive_dbfs
        Drive of the rung to show; the loudest that did not clip when None.

    Returns
    -------
    matplotlib.figure.Figure
        Reliable stretches are full lines, uncertain ones pale hair lines, noise is not drawn;
        the floor is shaded; the grey line behind is that rung's THD.

    Raises
    ------
    ValueError
        The take holds no rung, or none at that drive, or the rung holds no harmonic.
    """
    rung = rung_at(take, drive_dbfs)
    if not rung.harmonics:
        raise ValueError(f"rung at {rung.drive_dbfs:g} dBFS holds no harmonic: analyse order 2 up")
    pairs = [(curve.level_db, harmonic_standing(rung, curve)) for curve in rung.harmonics.values()]
    sure = np.concatenate([level[standing.reliable] for level, standing in pairs])
    unsure = np.concatenate([level[standing.uncertain] for level, standing in pairs])
    floors = np.concatenate([curve.floor_db for curve in rung.harmonics.values()])
    floors = floors[np.isfinite(floors)]
    usual = float(np.percentile(floors, 60)) if floors.size else 0.0  # most floors are seen then
    limits = _thd_limits(np.append(sure, rung.thd_db[thd_reliable(rung)]), unsure, low_db=usual)
    with look.our_look():
        return harmonic_panels(take, rung, limits_db=limits)


def rung_at(take: Take, drive_dbfs: float | None) -> Rung:
    """Rung of a drive (to 0.05 dB); the loudest that did not clip when None.

    Raises
    ------
    ValueError
        The take holds no rung, or none at that drive.
    """
    _needs_rungs(take)
    if drive_dbfs is None:
        return take.rungs[loudest_index(take)]
    for rung in take.rungs:
        if abs(rung.drive_dbfs - drive_dbfs) < 0.05:
            return rung
    known = ", ".join(f"{rung.drive_dbfs:g}" for rung in take.rungs)
    raise ValueError(f"drive_dbfs is {drive_dbfs:g}, but the rungs are {known}: choose one")


def _needs_rungs(take: Take) -> None:
    if not take.rungs:
        raise ValueError("take holds no rung: only a ladder can be drawn against frequency")


def _highest_floor(take: Take) -> FloatArray:
    """Highest fundamental floor of all rungs at each frequency, NaN where there is none."""
    floors = np.array([rung.fundamental_floor_db for rung in take.rungs])
    lowest = np.where(np.isfinite(floors), floors, -np.inf).max(axis=0)
    return np.where(np.isfinite(lowest), lowest, np.nan)


def _reliable(lines: list[Line]) -> FloatArray:
    return np.concatenate([line.values[line.standing.reliable] for line in lines])


def _uncertain(lines: list[Line]) -> FloatArray:
    return np.concatenate([line.values[line.standing.uncertain] for line in lines])


def _level_limits(lines: list[Line], floor_db: FloatArray) -> tuple[float, float]:
    """Limits that hold every drawn level and the floor, but no more than 80 dB of them."""
    shown = np.append(_reliable(lines), _uncertain(lines))
    if shown.size == 0:
        shown = np.concatenate([line.values[np.isfinite(line.values)] for line in lines])
    if shown.size == 0:
        return (0.0, 100.0)
    high = 5.0 * np.ceil(float(shown.max()) / 5.0 + 0.3)
    low = float(np.nanmin([shown.min(), *floor_db[:: max(1, floor_db.size // 50)]]))
    low = 5.0 * np.floor(low / 5.0 - 0.3)
    return (max(low, high - _MOST_LEVEL_SPAN_DB), high)


def _thd_limits(
    reliable: FloatArray, uncertain: FloatArray, *, low_db: float = 0.0
) -> tuple[float, float]:
    """Limits in tens of decibels: the top always holds, the bottom goes 110 dB down at most.

    The bottom goes down to ``low_db`` as well, if that is within these; a lone null of a
    reliable curve and the lowest hundredth of the uncertain ones may leave there.
    """
    if reliable.size + uncertain.size == 0:
        return (-80.0, 0.0)
    high = 10.0 * np.ceil(float(np.append(reliable, uncertain).max()) / 10.0 + 0.1)
    lows = [low_db]
    lows += [float(np.percentile(reliable, 0.5))] if reliable.size else []
    lows += [float(np.percentile(uncertain, 1.0))] if uncertain.size else []
    low = min(10.0 * np.floor(min(lows) / 10.0), high - _LEAST_THD_SPAN_DB)
    return (max(low, high - _MOST_THD_SPAN_DB), high)


def _gain_limits(lines: list[Line]) -> tuple[float, float]:
    """Limits that hold all that is drawn, and ±1 dB at least, so that trifles look like ones."""
    shown = _reliable(lines)
    low = min(-1.0, float(shown.min())) if shown.size else -1.0
    high = max(1.0, float(shown.max())) if shown.size else 1.0
    step = look.tick_step_db(high - low)
    return (step * np.floor(low / step - 0.2), step * np.ceil(high / step + 0.2))
