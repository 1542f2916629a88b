"""The files that a comparison leaves: comparison.json, tables and report, always of one."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TypedDict

from distsweep.comparison.record import SCHEMA, Comparison
from distsweep.errors import InputError
from distsweep.file_sets import FileSet, check_place, file_set
from distsweep.results import Results, to_json
from distsweep.results.record import Record
from distsweep.whole_files import json_schema, write_whole_text

if TYPE_CHECKING:
    from distsweep.comparison.filters.record import WithFilters
    from distsweep.report.style import Style

COMPARISON_NAME, FILTERS_NAME = "comparison.json", "filters.json"
TABLES, REPORT, PAGE = "tables", "report", "report.html"

SESSION_NAME = "session.toml"

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

    def pages(tables: Path, report: Path, chosen: _Style) -> None:
        from distsweep.report import write_comparison_report, write_comparison_tables

        write_comparison_tables(comparison, results, tables, decimal_comma=decimal_comma)
        write_comparison_report(comparison, results, report, workers=2, **chosen)

    texts = {COMPARISON_NAME: comparison} if with_json else {}
    return _filled(folder, texts, pages if with_report else None, style)


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

    def pages(tables: Path, report: Path, chosen: _Style) -> None:
        from distsweep.report import write_filter_report, write_filter_tables

        write_filter_tables(filtered, results, tables, decimal_comma=decimal_comma)
        write_filter_report(filtered, results, report, workers=2, **chosen)

    texts = {COMPARISON_NAME: filtered.comparison, FILTERS_NAME: filtered} if with_json else {}
    return _filled(folder, texts, pages if with_report else None, style)


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
    if (folder / SESSION_NAME).exists():
        raise InputError(f"{folder}: is a session: give a folder of its own with -o")
    names = {COMPARISON_NAME: with_json, f"{REPORT}/{PAGE}": with_report}
    wanted = {name for name, given in names.items() if given}
    check_place(folder, wanted, unlisted=_unlisted, kind=KIND)


class _Style(TypedDict, total=False):
    """A house style, or none: what was not given is left to the report."""

    style: Style


def _filled(
    folder: Path,
    texts: Mapping[str, Record],
    pages: Callable[[Path, Path, _Style], None] | None,
    style: Style | None,
) -> FileSet:
    """Make a set of files; ``pages`` writes tables and report into the folders that it is given."""
    with file_set(folder, head=COMPARISON_NAME, unlisted=_unlisted, kind=KIND) as made:
        for name, record in texts.items():
            write_whole_text(made.scratch / name, to_json(record) + "\n")
        if pages is not None:
            chosen: _Style = {} if style is None else {"style": style}
            pages(made.scratch / TABLES, made.scratch / REPORT, chosen)
    return made


def _unlisted(folder: Path) -> set[str]:
    """Return the comparison that was written into a folder by itself, with no list beside it."""
    ours = json_schema(folder / COMPARISON_NAME)
    same = str(ours).rpartition("/")[0] == SCHEMA.rpartition("/")[0]
    return {COMPARISON_NAME} if same else set()
