"""How the report's figures look: colours, sizes, axes, signs of a key.

The drawing modules take from matplotlib only what this one hands out, and this one imports it
inside its functions: a page can be planned, with the captions that stand beside each drawing
function, without loading it.

Levels are told apart three ways, so that none is needed: a ramp whose lightness falls with
level (it survives greyscale and every kind of colour blindness), a line that thickens with
level, and a tag on the line. Nothing here touches matplotlib's global state for longer than a
figure takes to build.

Colours (``look.INK`` and the like) and the figure's width are those of `palette.now()`: ask for
them inside functions.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np

from distsweep.flag_runs import runs_of
from distsweep.report import palette
from distsweep.report.style import DEFAULT_STYLE, Style
from distsweep.units import FloatArray

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.colors import Colormap
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    from distsweep.report.report_figure import ReportFigure, TagText

    INK: str
    QUIET_INK: str
    PAPER: str
    RULE: str
    NOISE: str
    FAINT: str
    RED: str
    EVEN: str
    ODD: str
    WIDTH_IN: float
    RIGHT_IN: float

_COLOURS = ("INK", "QUIET_INK", "PAPER", "RULE", "NOISE", "FAINT", "RED", "EVEN", "ODD")

_RIGHT_MARGIN_IN = 0.98  # holds "−10 dBFS", or percent and their label, enlarged on small screens
LEFT_IN = 0.90
"""Left edge of axes that have the figure's width to themselves, whose right edge is ``RIGHT_IN``:
beside it "−100" and a label have room, enlarged on small screens."""

_TITLE: dict[str, Any] = {"fontsize": 11.0, "weight": "bold"}
_SUBTITLE: dict[str, Any] = {"fontsize": 8.0}
HEAD_IN, _TITLE_IN = 0.50, 0.30  # heights of title and subtitle, and of a title alone
HAIR_LINE = 0.6  # points: the thinnest that a screen and a printer still draw evenly
BAND_SHARE = 0.22  # opacity of an interval's band; chosen by eye
_PALE = 0.5  # share of paper in a pale shade; chosen by eye, on a screen and in greyscale
SMALL = 7.5  # points: notes beside what they are about, names in strips
_X_LABEL_POINTS = -33.0
_Y_LABEL_POINTS, _RIGHT_LABEL_POINTS = -51.0, 64.0
"""Baselines of axes' labels: clear of enlarged ticks' names, of up to four signs upright."""


def __getattr__(name: str) -> Any:
    """Return a colour or a size of what is being drawn with."""
    if name in _COLOURS:
        return getattr(palette.now().palette, name.lower())
    if name == "WIDTH_IN":
        return palette.now().style.width_in
    if name == "RIGHT_IN":
        return palette.now().style.width_in - _RIGHT_MARGIN_IN
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def _settings() -> dict[Any, Any]:
    """Return matplotlib's settings for the palette."""
    colours, style = palette.now().palette, palette.now().style
    return {
        "font.family": [style.font, "DejaVu Sans"],  # the latter ships with matplotlib
        "font.size": 8.5,
        "text.color": colours.ink,
        "text.parse_math": False,  # positions and kinds from files are no formulas
        "text.usetex": False,
        "axes.edgecolor": colours.quiet_ink,
        "axes.facecolor": colours.paper,
        "axes.labelcolor": colours.ink,
        "axes.labelsize": 8.5,
        "axes.linewidth": 0.8,
        "axes.titlesize": 8.5,
        "axes.titley": 1.0,
        "axes.unicode_minus": True,
        "figure.facecolor": colours.paper,
        "figure.dpi": 100.0,
        "figure.autolayout": False,
        "figure.constrained_layout.use": False,
        "grid.color": colours.rule,
        "grid.linewidth": 0.7,
        "legend.labelcolor": colours.ink,
        "lines.solid_capstyle": "round",
        "lines.solid_joinstyle": "round",
        "lines.marker": "None",
        "savefig.bbox": None,
        "xtick.color": colours.quiet_ink,
        "xtick.labelcolor": colours.ink,
        "xtick.labelsize": 8.0,
        "xtick.major.pad": 6.0,
        "ytick.color": colours.quiet_ink,
        "ytick.labelcolor": colours.ink,
        "ytick.labelsize": 8.0,
        "ytick.major.pad": 4.5,
    }


_OURS_ALWAYS = ("text.parse_math", "text.usetex", "figure.autolayout",
                "figure.constrained_layout.use", "axes.titley")  # fmt: skip
"""Without these, a file's text could be a formula, and our places would be moved."""


@contextmanager
def our_look() -> Iterator[None]:
    """Draw with the report's settings where the reader's are matplotlib's defaults.

    Inside `files_look` it changes nothing.
    """
    import matplotlib

    if palette.now().for_files:
        yield
        return
    mine: Any = matplotlib.rcParams
    usual: Any = matplotlib.rcParamsDefault
    chosen = palette.Drawn(palette.palette_of_settings(mine, usual), palette.now().style)
    with palette.drawing_with(chosen):
        settings = {
            key: value
            for key, value in _settings().items()
            if key in _OURS_ALWAYS or mine[key] == usual[key]
        }
        with matplotlib.rc_context(settings):
            yield


@contextmanager
def files_look(
    style: Style = DEFAULT_STYLE, *, dark: bool = False, foot_in: float = 0.0
) -> Iterator[None]:
    """Draw for files: with a style, whatever the reader's settings of matplotlib are.

    ``foot_in`` is kept free at the foot of each figure.
    """
    import matplotlib

    drawn = palette.Drawn(palette.palette_of(style, dark=dark), style, for_files=True,
                          foot_in=foot_in)  # fmt: skip
    usual = {
        key: value
        for key, value in matplotlib.rcParamsDefault.items()
        if key.partition(".")[0] in _DRAWN
    }
    with palette.drawing_with(drawn), matplotlib.rc_context(usual | _settings()):
        yield


_DRAWN = ("axes", "figure", "font", "grid", "hatch", "legend", "lines", "mathtext", "patch", "path",
          "markers", "savefig", "scatter", "text", "xtick", "ytick", "agg", "contour",
          "image")  # fmt: skip
"""The first words of matplotlib's settings that change what our figures look like."""


def new_figure(height_in: float) -> Figure:
    """Make an empty figure of the report's width, with a canvas of its own."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    from distsweep.report.report_figure import ReportFigure

    now = palette.now()
    figure = ReportFigure(figsize=(now.style.width_in, height_in + now.foot_in))
    figure.foot_in = now.foot_in
    FigureCanvasAgg(figure)
    return figure


def add_axes(
    figure: Figure,
    *,
    left: float,
    bottom: float,
    right: float,
    top: float,
    beside: Axes | None = None,
) -> Axes:
    """Add axes whose edges are given in inches from the figure's left and bottom edges.

    ``beside``: axes whose x limits these share, so that whoever changes one changes both.
    """
    from matplotlib.transforms import ScaledTranslation

    from distsweep.report.quick_axes import QuickAxes

    width, height = figure.get_size_inches()
    bottom, top = bottom + report_figure(figure).foot_in, top + report_figure(figure).foot_in
    place = (left / width, bottom / height, (right - left) / width, (top - bottom) / height)
    axes: Axes = figure.add_axes(place, axes_class=QuickAxes, sharex=beside)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.grid(True)
    axes.set_axisbelow(True)
    below = ScaledTranslation(0.0, _X_LABEL_POINTS / 72.0, figure.dpi_scale_trans)
    aside = ScaledTranslation(_Y_LABEL_POINTS / 72.0, 0.0, figure.dpi_scale_trans)
    axes.xaxis.set_label_coords(0.5, 0.0, transform=axes.transAxes + below)
    axes.yaxis.set_label_coords(0.0, 0.5, transform=axes.transAxes + aside)
    axes.xaxis.label.set_verticalalignment("baseline")
    axes.yaxis.label.set_verticalalignment("baseline")
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


@contextmanager
def drawn_as(axes: Axes, key: str) -> Iterator[None]:
    """Join all that is drawn into axes meanwhile with the curve of that key."""
    before = set(axes.get_children())
    yield
    belongs_to(key, *(artist for artist in axes.get_children() if artist not in before))


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
    colours = colour_map(palette.now().palette.levels)
    return [shade(colours, place) for place in places]


def level_widths(count: int) -> FloatArray:
    """Line widths of ``count`` rungs in points, quietest first."""
    return np.linspace(1.0, 1.9, count) if count > 1 else np.array([1.6])


def paler(colour: str) -> str:
    """A colour half-way to the paper's, for what is there but not to be relied upon."""
    from matplotlib.colors import to_hex, to_rgb

    paper = palette.now().palette.paper
    mixed = (1.0 - _PALE) * np.array(to_rgb(colour)) + _PALE * np.array(to_rgb(paper))
    return to_hex(mixed.tolist())


def map_colours(colours: Sequence[str]) -> Colormap:
    """A map's colours from the paper's on, as they are on this paper."""
    now = palette.now().palette
    return colour_map([now.paper, *map(now.shade, colours)])


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


def on_the_right(axes: Axes) -> None:
    """Put ticks and label of y on the right, where axes have only these."""
    from matplotlib.transforms import ScaledTranslation

    figure: Any = axes.figure
    aside = ScaledTranslation(_RIGHT_LABEL_POINTS / 72.0, 0.0, figure.dpi_scale_trans)
    axes.yaxis.set_ticks_position("right")
    axes.yaxis.set_label_coords(1.0, 0.5, transform=axes.transAxes + aside)
    axes.yaxis.label.set_verticalalignment("baseline")


def draw_floor(axes: Axes, frequency_hz: FloatArray, floor_db: FloatArray) -> None:
    """Shade all that lies under a noise floor."""
    bottom = axes.get_ylim()[0]
    level = np.maximum(floor_db, bottom)
    for first, end in runs_of(np.isfinite(floor_db)):
        x = frequency_hz[first:end]
        outline = np.concatenate(([bottom], level[first:end], [bottom]))
        axes.fill(np.concatenate((x[:1], x, x[-1:])), outline, linewidth=0.0,
                  color=palette.now().palette.noise, label="_floor", zorder=1)  # fmt: skip


def heading(figure: Figure, title: str, subtitle: str) -> None:
    """Write what the figure shows, top left: a title, and a line on how to read it.

    The page says both itself, and shows the figure from below them.
    """
    width, height = figure.get_size_inches()
    for text, down_in, style in (
        (title, 0.12, _TITLE),
        (subtitle, 0.36, _SUBTITLE | {"color": palette.now().palette.quiet_ink}),
    ):
        figure.text(0.12 / width, 1 - down_in / height, text, va="top", gid="heading", **style)
    whole = report_figure(figure)
    whole.title, whole.subtitle = title, subtitle
    whole.head_in = HEAD_IN if subtitle else _TITLE_IN


def report_figure(figure: Figure) -> ReportFigure:
    """Return a figure as the class that all of the report's are."""
    from distsweep.report.report_figure import ReportFigure

    assert isinstance(figure, ReportFigure)  # new_figure made it
    return figure


def css_fonts(font: str) -> str:
    """Return a CSS list of families: the font, and what is about as wide where it is missing."""
    return f"'{font}', 'DejaVu Sans', Verdana, sans-serif"


def key(
    figure: Figure, handles: Sequence[Artist], *, columns: int, down_in: float = HEAD_IN + 0.08
) -> None:
    """Explain signs under the heading; on a small screen, where it has no room, the page does."""
    width, height = figure.get_size_inches()
    legend = figure.legend(
        handles=list(handles), loc="upper left", ncols=columns, frameon=False, fontsize=SMALL,
        bbox_to_anchor=(0.12 / width, 1.0 - down_in / height), borderaxespad=0.0, borderpad=0.0,
        handlelength=2.0, handletextpad=0.5, columnspacing=1.3,
    )  # fmt: skip
    legend.set_gid("fine")


def note(axes: Axes, text: str) -> None:
    """Write a few words at the axes' upper right corner, above it."""
    axes.annotate(text, (1.0, 1.0), (0.0, 3.0), xycoords="axes fraction", ha="right", va="bottom",
                  textcoords="offset points", fontsize=SMALL,
                  color=palette.now().palette.quiet_ink)  # fmt: skip


def style() -> Style:
    """The style that is drawn with."""
    return palette.now().style


def frequency_limits(low_hz: float, high_hz: float) -> tuple[float, float]:
    """Ends of a frequency axis: the style's, if it fixes them."""
    return palette.now().style.frequency_hz or (low_hz, high_hz)


def decade_in(low_hz: float, high_hz: float) -> float:
    """Length of a decade on axes that have the figure's width to themselves, inches."""
    width_in = palette.now().style.width_in - _RIGHT_MARGIN_IN - LEFT_IN
    return width_in / max(float(np.log10(high_hz / low_hz)), 0.1)


def say(axes: Axes, text: str, **style: Any) -> None:
    """Write in the middle of an empty field why it is empty."""
    axes.text(0.5, 0.5, text, transform=axes.transAxes, ha="center", va="center",
              color=palette.now().palette.quiet_ink, **style)  # fmt: skip


def tag(axes: Axes, x: float, y: float, text: str, **style: Any) -> TagText:
    """Write on a line, with a rim of paper around the letters."""
    from matplotlib.patheffects import withStroke

    from distsweep.report.report_figure import TagText

    rim = [withStroke(linewidth=TagText.rim_points, foreground=palette.now().palette.paper)]
    written = TagText(x, y, text, ha="center", va="center", fontsize=8.0, zorder=5, clip_on=False,
                      transform=axes.transData, path_effects=rim, **style)  # fmt: skip
    written.rim_colour = palette.now().palette.paper
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
