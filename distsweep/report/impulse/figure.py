"""The figure of impulse and step response."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from distsweep.report import look
from distsweep.report.content import Picture
from distsweep.report.figure_data import Curve, FigureData
from distsweep.report.time_axis import millisecond_axis
from distsweep.results import ImpulseResponse, Take
from distsweep.units import FloatArray
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_PANEL_IN, _GAP_IN, _FOOT_IN, _HEAD_IN = 1.9, 0.3, 0.55, 0.75
_PERCENT = 100.0
_SPARE, _TICK = 10.0, 50.0  # percent: beside the largest values, and from tick to tick


def picture(take: Take, name: str) -> Picture:
    """The figure with its caption."""
    assert take.impulse is not None  # the caller looked
    reflection = (
        " Dashed: the first reflection that was found." if take.impulse.free_s is not None else ""
    )
    return Picture(
        f"{name}-impulse",
        partial(plot_impulse_response, take),
        f"Impulse response and step response against time.{_crossing_words(take.impulse)}",
        "Above: sound pressure after a click; below: after a step, which is the running sum of the"
        f" first. Each re its own largest value.{reflection}",
        "What happens before time 0 is the measurement's: the band ends, and what is cut off there"
        " rings on both sides. The step falls back because no loudspeaker radiates 0 Hz, and the"
        " lower it reaches, the later it crosses zero: this tells no quality by itself.",
        data=partial(data, take),
        position=take.position,
    )


def _crossing_words(impulse: ImpulseResponse) -> str:
    """Say when the step first falls through zero after its largest value, if it does."""
    step = impulse.step
    largest = int(np.argmax(np.abs(step)))
    below = np.flatnonzero(step[largest:] * step[largest] < 0.0)
    if not below.size:
        return ""
    after_ms = wording.signed(1000.0 * float(impulse.time_s[largest + below[0]]))
    return (
        f" The step falls through zero {wording.with_unit(after_ms, 'ms')} after the direct sound."
    )


def data(take: Take) -> FigureData:
    """Impulse and step response in percent of their largest values."""
    impulse = take.impulse
    curves = [] if impulse is None else [_curve(impulse, *part) for part in _parts(impulse)]
    return FigureData("time", curves)


_Part = tuple[str, str, str, FloatArray]


def _parts(impulse: ImpulseResponse) -> list[_Part]:
    """Return key, name, colour and values of both panels."""
    return [
        ("impulse", "Impulse response", look.EVEN, _PERCENT * impulse.pressure),
        ("step", "Step response", look.ODD, _PERCENT * impulse.step),
    ]


def _curve(impulse: ImpulseResponse, key: str, name: str, colour: str, values: FloatArray) -> Curve:
    return Curve(key, name, "Sound pressure, % of its largest", impulse.time_s, values,
                 drive_dbfs=impulse.drive_dbfs, colour=colour)  # fmt: skip


def plot_impulse_response(take: Take) -> Figure:
    """Impulse response above, step response below, against time from the direct sound.

    Raises
    ------
    ValueError
        The take has no impulse response.
    """
    impulse = take.impulse
    if impulse is None:
        raise ValueError("take has no impulse response: it needs a ladder at the axis, unclipped")
    with look.our_look():
        height = _FOOT_IN + 2 * _PANEL_IN + _GAP_IN + _HEAD_IN
        figure = look.new_figure(height)
        look.heading(
            figure,
            "Impulse and step response",
            f"Linear part at {wording.drive(impulse.drive_dbfs)}, sampled at"
            f" {wording.frequency(impulse.rate_hz)}. Time 0: the direct sound.",
        )
        top = height - _HEAD_IN
        for part in _parts(impulse):
            axes = look.add_axes(
                figure, left=look.LEFT_IN, bottom=top - _PANEL_IN, right=look.RIGHT_IN, top=top
            )
            top -= _PANEL_IN + _GAP_IN
            _draw_panel(axes, impulse, part)
        for above in figure.axes[:-1]:
            above.tick_params(axis="x", labelbottom=False)
            above.set_xlabel("")
    return figure


def _draw_panel(axes: Axes, impulse: ImpulseResponse, part: _Part) -> None:
    key, name, colour, values = part
    before_s, after_s = impulse.window_s
    millisecond_axis(look.reads(axes, "time"), -before_s, after_s,
                     label="Time after the direct sound, ms")  # fmt: skip
    line = axes.plot(impulse.time_s, values, color=colour, linewidth=1.2, label=name, zorder=3)
    look.belongs_to(key, *line)
    axes.axhline(0.0, color=look.QUIET_INK, linewidth=0.8, label="_zero", zorder=2)
    if impulse.free_s is not None and impulse.free_s < after_s:
        axes.axvline(impulse.free_s, color=look.QUIET_INK, linewidth=0.9, linestyle=(0, (3, 2)),
                     label="_reflection", zorder=2)  # fmt: skip
    low, high = float(np.min(values)) - _SPARE, float(np.max(values)) + _SPARE
    ticks = np.arange(np.ceil(low / _TICK), np.floor(high / _TICK) + 1.0) * _TICK
    axes.set_ylim(low, high)
    look.set_ticks(axes.yaxis, ticks.tolist(), [wording.signed(t, 0) for t in ticks])
    axes.set_ylabel(f"{name}, %")
