"""A figure's parts: axes at a place, its heading, signs and their key, groups for a page."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from distsweep.report import palette

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    from distsweep.report.report_figure import ReportFigure, TagText

HEAD_IN, _TITLE_IN = 0.50, 0.30  # heights of title and subtitle, and of a title alone
SMALL = 7.5  # points: notes beside what they are about, names in strips
_TITLE: dict[str, Any] = {"fontsize": 11.0, "weight": "bold"}
_SUBTITLE: dict[str, Any] = {"fontsize": 8.0}
_X_LABEL_POINTS = -33.0
_Y_LABEL_POINTS, _RIGHT_LABEL_POINTS = -51.0, 64.0
"""Baselines of axes' labels: clear of enlarged ticks' names, of up to four signs upright."""


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


def on_the_right(axes: Axes) -> None:
    """Put ticks and label of y on the right, where axes have only these."""
    from matplotlib.transforms import ScaledTranslation

    figure: Any = axes.figure
    aside = ScaledTranslation(_RIGHT_LABEL_POINTS / 72.0, 0.0, figure.dpi_scale_trans)
    axes.yaxis.set_ticks_position("right")
    axes.yaxis.set_label_coords(1.0, 0.5, transform=axes.transAxes + aside)
    axes.yaxis.label.set_verticalalignment("baseline")


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


def say(axes: Axes, text: str, **style: Any) -> None:
    """Write in the middle of an empty field why it is empty."""
    axes.text(0.5, 0.5, text, transform=axes.transAxes, ha="center", va="center",
              color=palette.now().palette.quiet_ink, **style)  # fmt: skip


def tag(axes: Axes, x: float, y: float, text: str, **style: Any) -> TagText:
    """Write on a line, with a rim of paper around the letters."""
    from matplotlib.patheffects import withStroke

    from distsweep.report.report_figure import TagText

    rim = [withStroke(linewidth=TagText.rim_points, foreground=palette.now().palette.paper)]
    written = TagText(x, y, text, ha="center", va="center", fontsize=8.0, zorder=5, clip_on=True,
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
