"""The report: a folder with one self-contained page, and its figures as files."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from distsweep.errors import InputError
from distsweep.report.content import Picture, Section
from distsweep.report.figure_files import write_figure
from distsweep.report.sections import all_sections
from distsweep.report.svg import colour_rules
from distsweep.results import Results
from distsweep.whole_files import whole_folder

if TYPE_CHECKING:
    from markupsafe import Markup

PAGE = "report.html"
FIGURES = "figures"


def write_report(results: Results, folder: Path, *, workers: int = 1) -> Path:
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
    with whole_folder(folder) as scratch:
        inline = _write_figures(sections, scratch / FIGURES, workers=workers)
        page = render_page(device_name(results), sections, inline)
        (scratch / PAGE).write_bytes(page.encode("utf-8"))
    return folder / PAGE


def render_page(title: str, sections: list[Section], inline: dict[str, Markup]) -> str:
    """HTML of the page; ``inline`` holds the SVG of each picture by its name."""
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=PackageLoader("distsweep", "report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    template = environment.get_template("page.html")
    colours = Markup(colour_rules(inline.values(), theme="light"))
    return template.render(title=title, sections=sections, inline=inline, colours=colours)


def device_name(results: Results) -> str:
    """Name of the loudspeaker, as free text."""
    name = results.device.name
    return str(name).strip() if name and str(name).strip() else "Unnamed loudspeaker"


def _write_figures(sections: list[Section], folder: Path, *, workers: int) -> dict[str, Markup]:
    from markupsafe import Markup

    folder.mkdir()
    pictures = list(_pictures(sections))
    write = partial(write_figure, folder=folder)
    if workers > 1 and len(pictures) > 1:
        with ProcessPoolExecutor(max_workers=workers) as pool:
            drawings = list(pool.map(write, pictures))
    else:
        drawings = [write(picture) for picture in pictures]
    # Markup: they are our own drawings, whose text is escaped.
    return {p.name: Markup(d.svg) for p, d in zip(pictures, drawings, strict=True)}


def _pictures(sections: list[Section]) -> Iterator[Picture]:
    for section in sections:
        yield from (block for block in section.blocks if isinstance(block, Picture))
        yield from _pictures(section.sections)


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
