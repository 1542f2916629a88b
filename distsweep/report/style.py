"""House style of a publisher: what figures and page look like, as far as they may be chosen."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from distsweep.errors import InputError
from distsweep.report.dark import contrast, linear_rgb, to_oklab
from distsweep.report.logo import check_logo
from distsweep.toml_input import Table, nearest, read_toml

STYLE_NAME = "style.toml"
"""The style that is taken for a session beside which it stands."""

FIGURES = (
    "agreement", "burst", "clean-level", "decay-map", "filter-gain", "fundamental", "gain-change",
    "gain-map", "harmonics", "hiss", "impulse", "impulses", "input-output", "resonance",
    "stated-levels", "thd", "verdict",
)  # fmt: skip
"""Sorts of figures, as their files are called."""

INK_CONTRAST, LINE_CONTRAST = 4.5, 3.0
"""Least contrast with the paper: of text WCAG 2.1, 1.4.3; of lines 1.4.11."""

_THEMES = ("light", "dark", "both")
_LIGHT = 0.7  # Oklab lightness of paper, least; chosen: below, black ink would miss the contrast
_STEP = 0.04  # of Oklab lightness between levels, least: chosen, seen in greyscale (ours: 0.07)
_HZ = (1.0, 200_000.0)  # ends that a frequency axis may have: chosen, wider than any recorder's
_WIDTH_IN, _DPI = (5.0, 16.0), (50.0, 600.0)
"""Sizes that are drawn well: chosen. Below 5 inches names of ticks meet, and 600 dots an inch of a
16-inch figure are as much as a printer takes."""

_LONGEST_LINE = 120  # letters: chosen, so that it fits the figure's foot


@dataclass(frozen=True)
class Style:
    """Choices that a ``style.toml`` makes; the defaults are the tool's own look.

    ``…_db_spl`` and the like are ends of axes, None: fitted to what is drawn. ``theme`` is that of
    the page ("light", "dark", or "both": as the reader's screen is set); figure files are light,
    with ``dark_files`` a dark copy stands beside each. ``levels`` are the colours of a ramp from
    the quietest rung to the loudest. ``figures`` names the sorts of figures that are made, None:
    all. ``logo`` is a PNG, JPEG or SVG file, ``line`` a line of text at the foot of figures and
    page.
    """

    width_in: float = 7.0
    png_dpi: float = 120.0
    frequency_hz: tuple[float, float] | None = None
    response_db_spl: tuple[float, float] | None = None
    thd_db: tuple[float, float] | None = None
    gain_change_db: tuple[float, float] | None = None
    theme: str = "both"
    dark_files: bool = False
    paper: str = "#fffdf9"
    ink: str = "#2b2622"
    levels: tuple[str, ...] = ("#589a97", "#4c7f5a", "#74571f", "#6c251e", "#2e0616")
    font: str = "DejaVu Sans"
    logo: str | None = None
    line: str = ""
    figures: tuple[str, ...] | None = None


DEFAULT_STYLE = Style()


def read_style(path: Path) -> Style:
    """Read a house style.

    ::

        [axes]                        # ends, the same for every review
        frequency_hz = [20, 20000]
        response_db_spl = [50, 110]   # the height follows: 25 or 50 dB as long as a decade
        thd_db = [-80, 0]
        gain_change_db = [-6, 1]

        [figures]
        width_in = 7.0
        png_dpi = 120
        dark_files = false            # a dark copy beside each file
        made = ["verdict", "thd", "harmonics", "fundamental"]

        [colours]
        theme = "both"                # of the page: "light", "dark", "both"
        paper = "#fffdf9"
        ink = "#2b2622"
        levels = ["#589a97", "#4c7f5a", "#74571f", "#6c251e", "#2e0616"]  # quiet to loud

        [text]
        font = "DejaVu Sans"
        line = "Measured for The Example Review"
        logo = "logo.png"             # PNG, JPEG or SVG, beside this file

    Every key may be left out.

    Raises
    ------
    InputError
        It is missing or malformed, a key or a value in it is unknown, colours do not stand out
        from the paper, or the logo or the font is not there.
    """
    path = Path(path)
    whole = Table(read_toml(path), str(path))
    parts = {name: Table(whole.take(name, {}), f"{path}, [{name}]") for name in _READERS}
    whole.close()
    chosen: dict[str, Any] = {}
    for name, read in _READERS.items():
        chosen |= {key: v for key, v in read(parts[name], path).items() if v is not None}
        parts[name].close()
    style = Style(**chosen)
    _check_colours(style, str(path))
    return style


def _axes(table: Table, _path: Path) -> dict[str, Any]:
    hz = _ends(table, "frequency_hz", least_span=0.0)
    if hz is not None and not (_HZ[0] <= hz[0] and 2.0 * hz[0] <= hz[1] <= _HZ[1]):
        table.fail("frequency_hz", f"is {list(hz)}: must be an octave or more, between {_HZ[0]:g}"
                                   f" and {_HZ[1]:g}")  # fmt: skip
    return {
        "frequency_hz": hz,
        "response_db_spl": _ends(table, "response_db_spl", least_span=20.0),
        "thd_db": _ends(table, "thd_db", least_span=20.0),
        "gain_change_db": _ends(table, "gain_change_db", least_span=1.0),
    }


def _ends(table: Table, key: str, *, least_span: float) -> tuple[float, float] | None:
    """Read the ends of an axis, which must be so many decibels apart."""
    ends: tuple[float, float] | None = table.numbers(key, None, count=2)
    if ends is None or least_span == 0.0:
        return ends
    if not least_span <= ends[1] - ends[0] <= 200.0:
        table.fail(key, f"is {list(ends)}: must rise by {least_span:g} to 200 dB")
    return ends


def _figures(table: Table, _path: Path) -> dict[str, Any]:
    made = table.take("made", None)
    if made is not None:
        _check_texts(table, "made", made)
        for name in made:
            if name not in FIGURES:
                table.fail("made", f"names {name!r}, which is no figure{nearest(name, FIGURES)}")
    return {
        "width_in": _between(table, "width_in", _WIDTH_IN),
        "png_dpi": _between(table, "png_dpi", _DPI),
        "dark_files": table.truth("dark_files", None),
        "figures": None if made is None else tuple(made),
    }


def _between(table: Table, key: str, ends: tuple[float, float]) -> float | None:
    value: float | None = table.number(key, None)
    if value is not None and not ends[0] <= value <= ends[1]:
        table.fail(key, f"is {value:g}: must be {ends[0]:g} to {ends[1]:g}")
    return value


def _check_texts(table: Table, key: str, value: Any) -> None:
    if not isinstance(value, list) or not value or not all(isinstance(v, str) for v in value):
        table.fail(key, f"is {value!r}: must be a list of texts")


def _colours(table: Table, _path: Path) -> dict[str, Any]:
    theme = table.text("theme", None)
    if theme is not None and theme not in _THEMES:
        table.fail("theme", f"is {theme!r}{nearest(theme, _THEMES)}")
    levels = table.take("levels", None)
    if levels is not None:
        _check_texts(table, "levels", levels)
        levels = tuple(_colour(table, "levels", one) for one in levels)
        if len(levels) < 2:
            table.fail("levels", "has one colour: must have two or more, quiet to loud")
    colours = {
        key: None if (text := table.text(key, None)) is None else _colour(table, key, text)
        for key in ("paper", "ink")
    }
    return {"theme": theme, "levels": levels, **colours}


def _colour(table: Table, key: str, text: str) -> str:
    """Return a colour in lower case."""
    if not re.fullmatch(r"#[0-9a-fA-F]{6}", text):
        table.fail(key, f'holds {text!r}: write a colour as "#rrggbb", red, green, blue from 00'
                        " to ff")  # fmt: skip
    return text.lower()


def _text(table: Table, path: Path) -> dict[str, Any]:
    line, logo, font = (table.text(key, None) for key in ("line", "logo", "font"))
    if line is not None and (len(line) > _LONGEST_LINE or not line.isprintable()):
        table.fail("line", f"has {len(line)} letters: must be one line of {_LONGEST_LINE} at most")
    if logo is not None:
        if "\0" in logo:
            table.fail("logo", f"is {logo!r}: must be the path of a file")
        logo = str((path.parent / logo).resolve())
        check_logo(Path(logo), where=table.where)
    if font is not None:
        _check_font(table, font)
    return {"line": line, "logo": logo, "font": font}


def _check_font(table: Table, font: str) -> None:
    from matplotlib.font_manager import get_font_names

    names = get_font_names()
    if font not in names:
        table.fail("font", f"is {font!r}, which is not installed here{_nearest_font(font, names)}")


def _nearest_font(font: str, names: Sequence[str]) -> str:
    """Return a hint that names fonts that are installed, but not hundreds of them."""
    hint = nearest(font, names)
    return hint if "did you mean" in hint else ": install it, or leave it out"


def _check_colours(style: Style, where: str) -> None:
    """Refuse colours that do not stand out from the paper, and levels that are not told apart."""
    if _lightness(style.paper) < _LIGHT:
        raise InputError(
            f"{where}: paper is {style.paper}, which is dark: give a light one; dark pages and"
            ' files are made from it (theme = "dark", dark_files = true)'
        )
    for name, colour, least in (
        ("ink", style.ink, INK_CONTRAST),
        *(("a colour of levels", colour, LINE_CONTRAST) for colour in style.levels),
    ):
        ratio = contrast(colour, style.paper)
        if ratio < least:
            raise InputError(
                f"{where}: {name} is {colour} on paper {style.paper}, a contrast of"
                f" {math.floor(100.0 * ratio) / 100.0:.2f}:"
                f" must be {least:g} or more; choose a darker one"
            )
    for first, second in zip(style.levels, style.levels[1:], strict=False):
        if _lightness(first) - _lightness(second) < _STEP:
            raise InputError(
                f"{where}: levels go from {first} to {second}, which is not darker: each must be"
                " darker than the one before, so that they are told apart in greyscale too"
            )


def _lightness(colour: str) -> float:
    return float(to_oklab(linear_rgb(colour))[0])


_READERS = {"axes": _axes, "figures": _figures, "colours": _colours, "text": _text}
