"""One figure, drawn once: its SVG and PNG files, and the element that the page shows."""

from __future__ import annotations

import multiprocessing
import re
import warnings
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from distsweep.report.content import Picture
from distsweep.report.stamp import Stamp
from distsweep.report.style import DEFAULT_STYLE, Style

if TYPE_CHECKING:
    from distsweep.report.both_renderer import BothRenderer
    from distsweep.report.report_figure import ReportFigure


@dataclass(frozen=True)
class Drawing:
    """A figure for the page: the ``<svg>`` element, and what its files say above and below it."""

    svg: str
    title: str
    subtitle: str

    @property
    def tall(self) -> bool:
        """Whether it is higher than wide: on paper it takes more than half a sheet."""
        box = re.search(r'viewBox="0 [-\d.]+ ([\d.]+) ([\d.]+)"', self.svg)
        return box is not None and float(box[2]) > float(box[1])


def write_figures(
    pictures: Sequence[Picture],
    stamps: Sequence[Stamp],
    folder: Path,
    *,
    workers: int = 1,
    style: Style = DEFAULT_STYLE,
) -> dict[str, Drawing]:
    """Draw pictures into a new folder; return what the page shows of each, by its name.

    ``stamps`` are what stands at the foot of each one's files.
    """
    folder.mkdir()
    writers = [
        partial(write_figure, picture, what, folder=folder, style=style)
        for picture, what in zip(pictures, stamps, strict=True)
    ]
    if workers > 1 and len(pictures) > 1:
        drawings = [writers[0]()]  # processes that are forked inherit what it has loaded
        with ProcessPoolExecutor(workers, initializer=_begin, initargs=(writers,)) as pool:
            jobs = [pool.submit(_write_one, number) for number in range(1, len(writers))]
            try:
                drawings += [job.result() for job in jobs]
            except KeyboardInterrupt:  # what they draw is not waited for
                for process in multiprocessing.active_children():
                    process.terminate()
                raise
    else:
        drawings = [write() for write in writers]
    return {p.name: drawing for p, drawing in zip(pictures, drawings, strict=True)}


_WRITERS: list[partial[Drawing]] = []
"""Of a process that draws. They go to it once: all hold the same takes, megabytes of numbers."""


def _begin(writers: list[partial[Drawing]]) -> None:
    _WRITERS[:] = writers


def _write_one(number: int) -> Drawing:
    return _WRITERS[number]()


def write_figure(
    picture: Picture, what: Stamp | None = None, *, folder: Path, style: Style = DEFAULT_STYLE
) -> Drawing:
    """Draw a picture into ``folder`` as SVG and PNG; return what the page shows of it."""
    from distsweep.report import look, svg

    figure, renderer = _drawn(picture, what or Stamp(), style)
    fonts = look.css_fonts(style.font)
    _write(renderer, folder / picture.name, style, fonts)
    if style.dark_files:
        _, dark = _drawn(picture, what or Stamp(), style, dark=True)
        _write(dark, folder / f"{picture.name}-dark", style, fonts)
    element = svg.inline_svg(
        figure, renderer, name=picture.name, alternative=picture.alternative, fonts=fonts
    )
    return Drawing(element, figure.title, figure.subtitle)


def _drawn(
    picture: Picture, what: Stamp, style: Style, *, dark: bool = False
) -> tuple[ReportFigure, BothRenderer]:
    from distsweep.report import look
    from distsweep.report.both_renderer import drawn
    from distsweep.report.stamp import add_logo, write_stamp

    with warnings.catch_warnings(), look.files_look(style, dark=dark, foot_in=what.height_in):
        # A name in letters that the font has not: the SVG, whose text is text, still shows it.
        warnings.filterwarnings("ignore", message="Glyph .* missing", category=UserWarning)
        figure = look.report_figure(picture.draw())
        write_stamp(figure, what, look.QUIET_INK)
        renderer = drawn(figure, dots_per_inch=style.png_dpi)
    add_logo(renderer, what)
    return figure, renderer


def _write(renderer: BothRenderer, path: Path, style: Style, fonts: str) -> None:
    """Write both files; ``path`` is without their endings."""
    from distsweep.report import svg
    from distsweep.report.both_renderer import png_bytes

    text = svg.document(renderer, fonts=fonts)
    path.with_name(f"{path.name}.svg").write_bytes(text.encode("utf-8"))
    png = png_bytes(renderer, dots_per_inch=style.png_dpi)
    path.with_name(f"{path.name}.png").write_bytes(png)
