"""Options of the commands that leave a folder with a page: analyse and compare."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from distsweep.report.style import Style

Option = Callable[[Callable[..., Any]], Callable[..., Any]]

decimal_comma_option = click.option(
    "--decimal-comma",
    is_flag=True,
    help="Tables with a decimal comma, and semicolons between cells.",
)


def folder_option(help_text: str) -> Option:
    """Return the option for the folder."""
    return click.option(
        "-o",
        "--output",
        "folder",
        type=click.Path(file_okay=False, path_type=Path),
        help=help_text,
    )


def json_option(help_text: str) -> Option:
    """Return the option that writes JSON elsewhere."""
    return click.option("--json", "json_file", metavar="FILE", help=help_text)


def no_report_option(help_text: str) -> Option:
    """Return the option that leaves tables, figures and page out."""
    return click.option("--no-report", is_flag=True, help=help_text)


def style_option(help_text: str) -> Option:
    """Return the option for the house style."""
    return click.option(
        "--style",
        "style_file",
        metavar="FILE",
        type=click.Path(path_type=Path),
        help=help_text,
    )


def chosen_style(file: Path | None, beside: Path | None, *, no_report: bool) -> Style | None:
    """Return the house style that was given, or that stands in a folder; None: ours."""
    if no_report:
        if file is not None:
            raise click.UsageError("--style goes with a report: leave --no-report out")
        return None
    from distsweep.report.style import STYLE_NAME, read_style

    if file is None and beside is not None:
        file = beside / STYLE_NAME if (beside / STYLE_NAME).is_file() else None
    return None if file is None else read_style(file)
