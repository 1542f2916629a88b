"""How the report's figures look: colours, sizes, axes, signs of a key.

The drawing modules take from matplotlib only what this one hands out, and this one imports it
inside its functions: a page can be planned, with the captions that stand beside each drawing
function, without loading it.

Levels are told apart three ways, so that none is needed: a ramp whose lightness falls with
level (it survives greyscale and every kind of colour blindness), a line that thickens with
level, and a tag on the line. Nothing here touches matplotlib's global state for longer than a
figure takes to build.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np

from distsweep.flag_runs import runs_of
from distsweep.units import FloatArray, percent_to_db
from distsweep.words.wording import short_frequency, signed

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.colors import Colormap
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    from distsweep.report.report_figure import ReportFigure, TagText

INK = "#2b2622"
QUIET_INK = "#6e655c"
PAPER = "#fffdf9"
RULE = "#e4ddd2"
NOISE = "#d9d4cb"
RED = "#9c2f1f"
EVEN = "#1f6f78"
ODD = "#8a3a1c"

# Verdigris, moss, ochre, rust, oxblood: L* falls in even steps from about 65 to 8.
_LEVEL_COLOURS = ("#68aaa7", "#568a63", "#7a5c22", "#702820", "#2e0616")
_STYLE: dict[Any, Any] = {
    "font.family": ["DejaVu Sans"],  # ships with matplotlib, so it is the same everywhere
    "font.size": 9.0,
    "text.color": INK,
    "text.parse_math": False,  # positions and kinds from files are no formulas
    "text.usetex": False,
    "axes.edgecolor": QUIET_INK,
    "axes.facecolor": PAPER,
    "axes.labelcolor": INK,
    "axes.labelsize": 9.0,
    "axes.linewidth": 0.8,
    "axes.unicode_minus": True,
    "figure.facecolor": PAPER,
    "figure.dpi": 100.0,
    "figure.autolayout": False,
    "figure.constrained_layout.use": False,
    "lines.solid_capstyle": "round",
    "lines.solid_joinstyle": "round",
    "lines.marker": "None",
    "savefig.bbox": None,
    "xtick.color": QUIET_INK,
    "xtick.labelcolor": INK,
    "xtick.labelsize": 8.5,
    "ytick.color": QUIET_INK,
    "ytick.labelcolor": INK,
    "ytick.labelsize": 8.5,
}
_TITLE: dict[str, Any] = {"fontsize": 11.5, "weight": "bold"}
_SUBTITLE: dict[str, Any] = {"fontsize": 8.5, "color": QUIET_INK}
_TICKS_PER_DECADE = (1, 2, 5)
WIDTH_IN = 8.6
LEFT_IN, RIGHT_IN = 0.98, 7.68  # edges of axes that have the figure's width to themselves
HEAD_IN = 0.54  # height of title and subtitle
HAIR_LINE = 0.6  # points: the thinnest that a screen and a printer still draw evenly
BAND_SHARE = 0.22  # opacity of an interval's band; chosen by eye
_PALE = 0.5  # share of paper in a pale shade; chosen by eye, on a screen and in greyscale


@contextmanager
def our_look() -> Iterator[None]:
    """Draw with the report's settings, whatever matplotlibrc says, then put them back."""
    import matplotlib

    cycle = matplotlib.rcParamsDefault["axes.prop_cycle"]
    with matplotlib.rc_context(_STYLE | {"axes.prop_cycle": cycle}):
        yield


def new_figure(height_in: float) -> Figure:
    """Make an empty figure of the report's width, with a canvas of its own."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    from distsweep.report.report_figure import ReportFigure

    figure = ReportFigure(figsize=(WIDTH_IN, height_in))
    FigureCanvasAgg(figure)
    return figure


def add_axes(figure: Figure, *, left: float, bottom: float, right: float, top: float) -> Axes:
    """Add axes whose edges are given in inches from the figure's left and bottom edges."""
    width, height = figure.get_size_inches()
    axes = figure.add_axes(
        (left / width, bottom / height, (right - left) / width, (top - bottom) / height)
    )
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.grid(True, color=RULE, linewidth=0.7)
    axes.set_axisbelow(True)
    return axes


def reads(axes: Axes, quantity: str) -> Axes:
    """Say what runs across axes, one of `figure_data.X_QUANTITIES`, so that a cursor can read it.

    Axes of which nothing is said have no cursor.
    """
    axes.set_gid(f"x.{quantity}")
    return axes


def belongs_to(key: str, *artists: Artist) -> None:
    """Join artists with the curve of that key (`figure_data.Curve`): they are shown as one."""
    for artist in artists:
        artist.set_gid(f"curve.{key}")


def colour_map(colours: Sequence[str]) -> Colormap:
    """Colours in even steps from 0 to 1, and all shades between them."""
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list("report", list(colours))


def shade(colours: Colormap, share: float) -> str:
    """Colour at a share of a map, 0 to 1."""
    from matplotlib.colors import to_hex

    return to_hex(colours(min(max(share, 0.0), 1.0)))


def level_colours(count: int) -> list[str]:
    """Colours of ``count`` rungs, quietest first; each darker than the one before."""
    places = np.linspace(0.0, 1.0, count) if count > 1 else np.array([1.0])
    colours = colour_map(_LEVEL_COLOURS)
    return [shade(colours, place) for place in places]


def level_widths(count: int) -> FloatArray:
    """Line widths of ``count`` rungs in points, quietest first."""
    return np.linspace(1.0, 1.9, count) if count > 1 else np.array([1.6])


def paler(colour: str) -> str:
    """A colour half-way to the paper's, for what is there but not to be relied upon."""
    from matplotlib.colors import to_hex, to_rgb

    mixed = (1.0 - _PALE) * np.array(to_rgb(colour)) + _PALE * np.array(to_rgb(PAPER))
    return to_hex(mixed.tolist())


def set_ticks(axis: Axis, places: Sequence[float], names: Sequence[str]) -> None:
    """Give an axis these ticks and names, and no small ones."""
    from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

    axis.set_major_locator(FixedLocator(list(places)))
    axis.set_major_formatter(FixedFormatter(list(names)))
    axis.set_minor_locator(NullLocator())


def frequency_axis(axes: Axes, low_hz: float, high_hz: float, *, minor: bool = True) -> None:
    """Make x a log-frequency axis with ticks at 20, 50, 100, 200 …"""
    from matplotlib.ticker import FixedLocator

    axes.set_xscale("log")
    axes.set_xlim(low_hz, high_hz)
    decades = range(-1, 7)
    ticks = [s * 10.0**d for d in decades for s in _TICKS_PER_DECADE]
    ticks = [t for t in ticks if low_hz * 0.999 <= t <= high_hz * 1.001]
    if len(ticks) < 2:
        ticks = [low_hz, high_hz]
    small = [s * 10.0**d for d in decades for s in range(1, 10)] if minor else []
    set_ticks(axes.xaxis, ticks, [short_frequency(t) for t in ticks])
    axes.xaxis.set_minor_locator(FixedLocator([t for t in small if low_hz <= t <= high_hz]))
    axes.tick_params(axis="x", which="minor", length=2.0)


def decibel_axis(axes: Axes, low_db: float, high_db: float, *, step: float | None = None) -> None:
    """Make y run over a decibel range with ticks at whole steps and a true minus sign."""
    step = step or tick_step_db(high_db - low_db)
    axes.set_ylim(low_db, high_db)
    ticks = np.arange(np.ceil(low_db / step - 1e-6), np.floor(high_db / step + 1e-6) + 1) * step
    decimals = 0 if step >= 1.0 else 1
    set_ticks(axes.yaxis, ticks.tolist(), [signed(t, decimals) for t in ticks])


def points_to_db(axes: Axes, points: float) -> float:
    """Decibels that a mark of so many points covers on a decibel axis that has its limits."""
    low_db, high_db = axes.get_ylim()
    height_points = 72.0 * axes.bbox.height / axes.figure.dpi
    return float((high_db - low_db) * points / height_points)


def tick_step_db(span_db: float) -> float:
    """Distance between ticks that gives some four to ten of them."""
    return next((s for s in (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0) if span_db / s <= 10.0), 20.0)


def percent_axis(axes: Axes, label: str, *, sparse: bool = False) -> Axes:
    """Give a decibel axis its percent twin on the right: 0 dB is 100 %. Sparse: no 3s."""
    low_db, high_db = axes.get_ylim()
    twin = axes.twinx()
    twin.set_ylim(low_db, high_db)
    values = [s * 10.0**d for d in range(-5, 4) for s in ((1,) if sparse else (1, 3))]
    places = [float(percent_to_db(v)) for v in values]
    kept = [(p, v) for p, v in zip(places, values, strict=True) if low_db <= p <= high_db]
    set_ticks(twin.yaxis, [p for p, _ in kept], [f"{v:g} %" for _, v in kept])
    twin.set_ylabel(label)
    for side in ("top", "left"):
        twin.spines[side].set_visible(False)
    twin.grid(False)
    return twin


def draw_floor(axes: Axes, frequency_hz: FloatArray, floor_db: FloatArray) -> None:
    """Shade all that lies under a noise floor."""
    bottom = axes.get_ylim()[0]
    level = np.maximum(floor_db, bottom)
    for first, end in runs_of(np.isfinite(floor_db)):
        x = frequency_hz[first:end]
        outline = np.concatenate(([bottom], level[first:end], [bottom]))
        axes.fill(np.concatenate((x[:1], x, x[-1:])), outline, color=NOISE, linewidth=0.0,
                  label="_floor", zorder=1)  # fmt: skip


def heading(figure: Figure, title: str, subtitle: str) -> None:
    """Write what the figure shows, top left: a title, and a line on how to read it.

    The page says both itself, and shows the figure from below them.
    """
    width, height = figure.get_size_inches()
    for text, down_in, style in (
        (title, 0.14, _TITLE),
        (subtitle, 0.40, _SUBTITLE),
    ):
        figure.text(0.12 / width, 1 - down_in / height, text, va="top", gid="heading", **style)
    whole = report_figure(figure)
    whole.title, whole.subtitle, whole.head_in = title, subtitle, HEAD_IN


def report_figure(figure: Figure) -> ReportFigure:
    """Return a figure as the class that all of the report's are."""
    from distsweep.report.report_figure import ReportFigure

    assert isinstance(figure, ReportFigure)  # new_figure made it
    return figure


def css_fonts(font: str) -> str:
    """Return a CSS list of families: the font, and what is about as wide where it is missing."""
    return f"'{font}', 'DejaVu Sans', Verdana, sans-serif"


def say(axes: Axes, text: str, **style: Any) -> None:
    """Write in the middle of an empty field why it is empty."""
    axes.text(0.5, 0.5, text, transform=axes.transAxes, ha="center", va="center",
              color=QUIET_INK, **style)  # fmt: skip


def tag(axes: Axes, x: float, y: float, text: str, **style: Any) -> TagText:
    """Write on a line, with a rim of paper around the letters."""
    from matplotlib.patheffects import withStroke

    from distsweep.report.report_figure import TagText

    rim = [withStroke(linewidth=TagText.rim_points, foreground=PAPER)]
    written = TagText(x, y, text, ha="center", va="center", fontsize=8.0, zorder=5, clip_on=False,
                      transform=axes.transData, path_effects=rim, **style)  # fmt: skip
    written.rim_colour = PAPER
    axes.add_artist(written)
    return written


def key_line(label: str, colour: str, **style: Any) -> Line2D:
    """A line or marker of a figure's key, and what it stands for."""
    from matplotlib.lines import Line2D

    return Line2D([], [], color=colour, label=label, **style)


def key_patch(label: str, **style: Any) -> Patch:
    """A filled or hatched box of a figure's key, and what it stands for."""
    from matplotlib.patches import Patch

    return Patch(label=label, **style)
