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

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from distsweep.report import palette
from distsweep.report.axis_kinds import (
    LEFT_IN,
    RIGHT_MARGIN_IN,
    decade_in,
    decibel_axis,
    decibel_ticks,
    draw_boxes,
    draw_floor,
    fill_band,
    frequency_axis,
    frequency_limits,
    percent_axis,
    points_to_db,
    set_ticks,
    tick_step_db,
)
from distsweep.report.figure_parts import (
    HEAD_IN,
    SMALL,
    add_axes,
    belongs_to,
    css_fonts,
    drawn_as,
    heading,
    key,
    key_line,
    key_patch,
    new_figure,
    note,
    on_the_right,
    reads,
    report_figure,
    say,
    tag,
)
from distsweep.report.shades import (
    colour_map,
    level_colours,
    level_widths,
    map_colours,
    paler,
    shade,
)
from distsweep.report.style import DEFAULT_STYLE, Style

if TYPE_CHECKING:
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

__all__ = [
    "BAND_SHARE",
    "HAIR_LINE",
    "HEAD_IN",
    "LEFT_IN",
    "RIGHT_MARGIN_IN",
    "SMALL",
    "add_axes",
    "belongs_to",
    "colour_map",
    "css_fonts",
    "decade_in",
    "decibel_axis",
    "decibel_ticks",
    "draw_boxes",
    "draw_floor",
    "drawn_as",
    "files_look",
    "fill_band",
    "frequency_axis",
    "frequency_limits",
    "heading",
    "key",
    "key_line",
    "key_patch",
    "level_colours",
    "level_widths",
    "map_colours",
    "new_figure",
    "note",
    "on_the_right",
    "our_look",
    "paler",
    "percent_axis",
    "points_to_db",
    "reads",
    "report_figure",
    "say",
    "set_ticks",
    "shade",
    "style",
    "tag",
    "tick_step_db",
]

_COLOURS = ("INK", "QUIET_INK", "PAPER", "RULE", "NOISE", "FAINT", "RED", "EVEN", "ODD")

HAIR_LINE = 0.6  # points: the thinnest that a screen and a printer still draw evenly
BAND_SHARE = 0.22  # opacity of an interval's band; chosen by eye


def __getattr__(name: str) -> Any:
    """Return a colour or a size of what is being drawn with."""
    if name in _COLOURS:
        return getattr(palette.now().palette, name.lower())
    if name == "WIDTH_IN":
        return palette.now().style.width_in
    if name == "RIGHT_IN":
        return palette.now().style.width_in - RIGHT_MARGIN_IN
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
        "text.hinting": "no_hinting",  # for more pixels an inch than it was made for
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


def style() -> Style:
    """The style that is drawn with."""
    return palette.now().style
