"""The report: a folder with one self-contained page, and its figures as files."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from distsweep.errors import InputError
from distsweep.report import facts
from distsweep.report.content import Picture, Section, Table, pictures
from distsweep.report.figure_data import FigureData
from distsweep.report.figure_json import figure_json
from distsweep.report.sections import all_sections
from distsweep.report.style import DEFAULT_STYLE, Style
from distsweep.report.svg import figure_svg, inline_svg
from distsweep.results import Results
from distsweep.whole_files import whole_folder

if TYPE_CHECKING:
    from markupsafe import Markup

PAGE = "report.html"
FIGURES = "figures"
DARK_SCREEN = "screen and (prefers-color-scheme: dark)"
_STYLES = ("colours.css", "page.css", "controls.css", "phone.css", "print.css")
_SCRIPTS = (
    "figures.js", "numbers.js", "legend.js", "saving.js", "cursor.js", "pointing.js", "sorting.js",
    "folds.js",
)  # fmt: skip
_PNG_DPI = 100  # 860 pixels wide: legible in a forum post, some 100 kB


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
        House style.

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
    folder = Path(folder)
    _refuse_to_replace_others(folder)
    sections = all_sections(results)
    numbers = {p.name: p.data() for p in pictures(sections) if p.data is not None}
    with whole_folder(folder) as scratch:
        inline = _write_figures(sections, scratch / FIGURES, workers=workers)
        page = render_page(
            device_name(results), sections, inline, conditions=facts.one_line(results),
            numbers=numbers, style=style,
        )  # fmt: skip
        (scratch / PAGE).write_bytes(page.encode("utf-8"))
    return folder / PAGE


def render_page(
    title: str,
    sections: list[Section],
    inline: Mapping[str, Markup],
    *,
    conditions: str = "",
    numbers: Mapping[str, FigureData] | None = None,
    style: Style = DEFAULT_STYLE,
) -> str:
    """HTML of the page; ``inline`` and ``numbers`` are by the names of pictures."""
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
    tables: dict[str, Table] = {}
    # Markup: files of ours, and JSON whose writer escapes what would end its element.
    return environment.get_template("page.html").render(
        title=title,
        conditions=conditions,
        sections=sections,
        inline=inline,
        tables=tables,
        numbers=Markup(figure_json(numbers)) if numbers else "",
        theme=style.theme,
        line=style.line,
        styles=Markup(_styles(style)),
        script=Markup(script),
        policy=_policy(script),
    )


def _styles(style: Style) -> str:
    """All rules; dark colours where the reader's screen is dark, always, or never."""
    dark = {"dark": "screen", "light": "not all"}.get(style.theme, DARK_SCREEN)
    return "\n".join(_file(name) for name in _STYLES).replace(
        f"@media {DARK_SCREEN}", f"@media {dark}"
    )


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


def _write_figures(sections: list[Section], folder: Path, *, workers: int) -> dict[str, Markup]:
    from markupsafe import Markup

    folder.mkdir()
    drawn = list(pictures(sections))
    write = partial(_write_figure, folder=folder)
    if workers > 1 and len(drawn) > 1:
        with ProcessPoolExecutor(max_workers=workers) as pool:
            elements = list(pool.map(write, drawn))
    else:
        elements = [write(picture) for picture in drawn]
    # Markup: they are our own drawings, their text as shapes.
    return {p.name: Markup(e) for p, e in zip(drawn, elements, strict=True)}


def _write_figure(picture: Picture, *, folder: Path) -> str:
    """Draw a picture into files; return the SVG element for the page."""
    figure = picture.draw()
    document = figure_svg(figure)
    (folder / f"{picture.name}.svg").write_bytes(document.encode("utf-8"))
    figure.savefig(folder / f"{picture.name}.png", dpi=_PNG_DPI, metadata={"Software": None})
    return inline_svg(document, name=picture.name, alternative=picture.alternative)


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
