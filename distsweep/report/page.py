"""The report: a folder with one self-contained page, and its figures as files."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from distsweep.errors import InputError
from distsweep.report import facts
from distsweep.report.chosen_figures import chosen
from distsweep.report.content import Section, pictures
from distsweep.report.dark import dark_colour
from distsweep.report.figure_data import FigureData
from distsweep.report.figure_files import Drawing, write_figures
from distsweep.report.figure_json import figure_json
from distsweep.report.figure_table import figure_table
from distsweep.report.logo import data_address
from distsweep.report.palette import Drawn, drawing_with, palette_of
from distsweep.report.sections import all_sections
from distsweep.report.stamp import Stamp, stamp
from distsweep.report.style import DEFAULT_STYLE, Style
from distsweep.report.svg import PHONE_TEXT_PX, colour_rules
from distsweep.results import Results
from distsweep.whole_files import whole_folder

PAGE = "report.html"
FIGURES = "figures"
_DARK_SCREEN = "screen and (prefers-color-scheme: dark)"
_PHONE = "max-width: 40rem"
_MANY_COLUMNS, _MORE_COLUMNS = "max-width: 64rem", "max-width: 72rem"
"""Screens on which tables of more than five, and of more than eight, columns show their rows as
blocks; chosen: in Chromium ten columns of "≈ −20 ± 0.6 dB" take 62 rem, and 13 small ones 70. Of
more than 13 they always do."""

_ANY = "min-width: 0"

_STYLES = ("colours.css", "page.css", "controls.css", "phone.css", "print.css")
_SCRIPTS = (
    "figures.js", "numbers.js", "legend.js", "saving.js", "cursor.js", "pointing.js", "sorting.js",
    "folds.js",
)  # fmt: skip


def write_report(
    results: Results, folder: Path, *, workers: int = 1, style: Style = DEFAULT_STYLE
) -> Path:
    """Write the report of a session as a folder, whole or not at all.

    Parameters
    ----------
    results
        What ``analyse`` found.
    folder
        Folder to make. A report that stands there already is replaced; give it a folder of
        its own, as nothing else may stand in it.
    workers
        Processes that draw figures. More than one needs a main module that may be imported
        again, as the command line's is: a script without a guard stays with one.
    style
        House style (`distsweep.report.read_style`).

    Returns
    -------
    Path
        The page, ``folder/report.html``. It needs no other file: figures are inside it as SVG.
        ``folder/figures`` holds the same as ``.svg`` and ``.png``.

    Raises
    ------
    InputError
        ``folder`` cannot be written, or holds something that is not part of a report.
    """
    return write_page(
        Head(device_name(results), facts.one_line(results)), lambda: all_sections(results), folder,
        stamp_at=partial(stamp, results), workers=workers, style=style,
    )  # fmt: skip


@dataclass(frozen=True)
class Head:
    """What a page says of itself: its title, what it is ``about``, conditions in a line.

    ``numbers_from`` is the file that its numbers are from.
    """

    title: str
    conditions: str = ""
    about: str = "distortion and compression"
    numbers_from: str = "results.json"


def write_page(
    head: Head,
    make_sections: Callable[[], list[Section]],
    folder: Path,
    *,
    stamp_at: Callable[[str, Style], Stamp],
    workers: int = 1,
    style: Style = DEFAULT_STYLE,
) -> Path:
    """Write a page of sections with its figures as a folder, whole or not at all; return the page.

    ``stamp_at`` gives what stands at the foot of a figure's file, by the figure's position.

    Raises
    ------
    InputError
        ``folder`` cannot be written, or holds something that is not part of a report.
    """
    folder = Path(folder)
    _refuse_to_replace_others(folder)
    with drawing_with(Drawn(palette_of(style), style)):  # numbers know their curves' colours
        sections = chosen(make_sections(), style)
        numbers = {p.name: p.data() for p in pictures(sections) if p.data is not None}
    made = list(pictures(sections))
    stamps = [stamp_at(picture.position, style) for picture in made]
    with whole_folder(folder) as scratch:
        drawings = write_figures(made, stamps, scratch / FIGURES, workers=workers, style=style)
        page = render_page(
            head.title, sections, drawings, conditions=head.conditions, numbers=numbers,
            style=style, about=head.about, numbers_from=head.numbers_from,
        )  # fmt: skip
        (scratch / PAGE).write_bytes(page.encode("utf-8"))
    return folder / PAGE


def render_page(
    title: str,
    sections: list[Section],
    drawings: Mapping[str, Drawing],
    *,
    conditions: str = "",
    numbers: Mapping[str, FigureData] | None = None,
    style: Style = DEFAULT_STYLE,
    about: str = Head.about,
    numbers_from: str = Head.numbers_from,
) -> str:
    """HTML of the page; ``drawings`` and ``numbers`` are by the names of pictures.

    The other words are those of a `Head`.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=PackageLoader("distsweep", "report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    script = _script()
    numbers = numbers or {}
    # Markup: files of ours, and JSON whose writer escapes what would end its element.
    return environment.get_template("page.html").render(
        title=title,
        about=about,
        numbers_from=numbers_from,
        conditions=conditions,
        sections=sections,
        drawings=drawings,
        tables={name: figure_table(data) for name, data in numbers.items()},
        numbers=Markup(figure_json(numbers)) if numbers else "",
        theme=style.theme,
        line=style.line,
        logo=data_address(style.logo) if style.logo else "",
        styles=Markup(_styles(style, drawings)),
        script=Markup(script),
        policy=_policy(script),
    )


def _styles(style: Style, drawings: Mapping[str, Drawing]) -> str:
    """All rules; dark colours where the reader's screen is dark, always, or never."""
    dark = {"dark": "screen", "light": "not all"}.get(style.theme, _DARK_SCREEN)
    ours = "\n".join(_file(name) for name in _STYLES)
    return "\n".join(
        [
            colour_rules([d.svg for d in drawings.values()], theme=style.theme),
            ours.replace(f"@media {_DARK_SCREEN}", f"@media {dark}"),
            _grounds(style, dark),
            f"@media screen and ({_PHONE}) {{ .drawing text {{ font-size: {PHONE_TEXT_PX}px; }} }}",
            _stacked("table", _PHONE),
            _stacked(".many", _MANY_COLUMNS),
            _stacked(".crowded", _MORE_COLUMNS),
            _stacked(".countless", _ANY),
        ]
    )


def _grounds(style: Style, dark: str) -> str:
    """Rules that give the page the paper and ink of its figures, on light and dark screens."""
    light, turned = (
        f":root {{ --paper: {paper}; --ink: {ink}; }}"
        for paper, ink in (
            (style.paper, style.ink),
            (dark_colour(style.paper), dark_colour(style.ink)),
        )
    )
    return f"{light}\n@media {dark} {{ {turned} }}"


def _stacked(table: str, screen: str) -> str:
    """Rules that show the rows of some tables as blocks on some screens."""
    rules = _file("stacked.css").replace("TABLE", table)
    return f"@media screen and ({screen}) {{\n{rules}}}"


def _script() -> str:
    """The page's script: its files, in a scope of their own."""
    return "(() => {\n" + "\n".join(_file(name) for name in _SCRIPTS) + "})();\n"


def _file(name: str) -> str:
    return Path(__file__).with_name(name).read_text(encoding="utf-8")


def _policy(script: str) -> str:
    """Content security policy: no request leaves the page, and no other script runs in it."""
    digest = base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")
    return (
        f"default-src 'none'; script-src 'sha256-{digest}'; style-src 'unsafe-inline'; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )


def device_name(results: Results) -> str:
    """Name of the loudspeaker, as free text."""
    name = results.device.name
    return str(name).strip() if name and str(name).strip() else "Unnamed loudspeaker"


def _refuse_to_replace_others(folder: Path) -> None:
    """Keep a slip of the hand from replacing a folder of recordings by a report."""
    if not folder.exists():
        return
    if not folder.is_dir():
        raise InputError(f"{folder}: is a file, and a report is a folder: choose another place")
    strangers = sorted(p.name for p in folder.iterdir() if p.name not in (PAGE, FIGURES))
    if strangers:
        raise InputError(
            f"{folder}: holds {strangers[0]!r}, which is not part of a report and would be lost: "
            "choose a folder of its own"
        )
