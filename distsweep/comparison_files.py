"""The files that a comparison leaves: comparison.json, tables and report, always of one."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from distsweep.comparison.record import SCHEMA, Comparison
from distsweep.file_sets import FileSet, check_place, file_set
from distsweep.results import Results, to_json
from distsweep.whole_files import json_schema, write_whole_text

if TYPE_CHECKING:
    from distsweep.comparison.filters.record import WithFilters
    from distsweep.report.style import Style

COMPARISON_NAME, FILTERS_NAME = "comparison.json", "filters.json"
TABLES, REPORT, PAGE = "tables", "report", "report.html"

KIND = "comparison"
"""What such a set of files is the work of: an analysis' folder is not written into."""


def write_comparison(comparison: Comparison, path: str | Path) -> None:
    """Write a ``comparison.json``, or the like, whole or not at all.

    Raises
    ------
    InputError
        The folder cannot be made or written; what stood at ``path`` then still does.
    """
    write_whole_text(Path(path), to_json(comparison) + "\n")


def write_comparison_files(
    comparison: Comparison,
    results: Sequence[Results],
    folder: Path,
    *,
    with_json: bool = True,
    with_report: bool = True,
    decimal_comma: bool = False,
    style: Style | None = None,
) -> FileSet:
    """Replace what an earlier comparison has left in a folder; other files there stay.

    Parameters
    ----------
    comparison : what differs.
    results : those compared, in the order of ``comparison.sources``.
    with_json : write ``comparison.json``; one of an earlier comparison is removed otherwise.
    with_report : write tables and report; those of an earlier comparison are removed otherwise.
    decimal_comma : tables with a decimal comma, and semicolons between cells.
    style : house style of figures and page, None: our own.

    Raises
    ------
    InputError
        The folder cannot be written, holds an analysis, or another's file stands where one of these
        belongs; what stood there then still does.
    """

    def fill(scratch: Path) -> None:
        if with_json:
            write_comparison(comparison, scratch / COMPARISON_NAME)
        if with_report:
            from distsweep.report import write_comparison_report, write_comparison_tables

            write_comparison_tables(
                comparison, results, scratch / TABLES, decimal_comma=decimal_comma
            )
            chosen = {} if style is None else {"style": style}
            write_comparison_report(comparison, results, scratch / REPORT, workers=2, **chosen)

    return _filled(folder, fill)


def write_filter_files(
    filtered: WithFilters,
    results: Results,
    folder: Path,
    *,
    with_json: bool = True,
    with_report: bool = True,
    decimal_comma: bool = False,
    style: Style | None = None,
) -> FileSet:
    """Replace what an earlier comparison has left in a folder by what filters cost.

    ``comparison.json`` holds it as a comparison of the loudspeaker with itself, ``filters.json``
    all that is predicted.

    Parameters
    ----------
    results : of the loudspeaker without the filters.
    with_json, with_report, decimal_comma, style : as of `write_comparison_files`.

    Raises
    ------
    InputError
        As `write_comparison_files`.
    """

    def fill(scratch: Path) -> None:
        if with_json:
            write_comparison(filtered.comparison, scratch / COMPARISON_NAME)
            write_whole_text(scratch / FILTERS_NAME, to_json(filtered) + "\n")

    return _filled(folder, fill)


def check_comparison_place(
    folder: Path, *, with_json: bool = True, with_report: bool = True
) -> None:
    """Refuse a folder that a comparison cannot be written into, before the work is done.

    Raises
    ------
    InputError
        It cannot be written, it holds an analysis, or another's file stands where one of a
        comparison's belongs.
    """
    names = {COMPARISON_NAME: with_json, f"{REPORT}/{PAGE}": with_report}
    wanted = {name for name, given in names.items() if given}
    check_place(folder, wanted, unlisted=_unlisted, kind=KIND)


def _filled(folder: Path, fill: Callable[[Path], None]) -> FileSet:
    with file_set(folder, head=COMPARISON_NAME, unlisted=_unlisted, kind=KIND) as made:
        fill(made.scratch)
    return made


def _unlisted(folder: Path) -> set[str]:
    """Return the comparison that was written into a folder by itself, with no list beside it."""
    ours = json_schema(folder / COMPARISON_NAME)
    same = str(ours).rpartition("/")[0] == SCHEMA.rpartition("/")[0]
    return {COMPARISON_NAME} if same else set()
