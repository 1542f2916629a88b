"""The files that an analysis leaves: results.json, tables and report, always of one analysis."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from distsweep.file_sets import FileSet, check_place, file_set
from distsweep.results import Results, write_results

if TYPE_CHECKING:
    from distsweep.report.style import Style

RESULTS_NAME, TABLES, REPORT, PAGE = "results.json", "tables", "report", "report.html"

_OF_A_TAKE = re.compile(
    r"distortion|hiss|thd-smoothed|staircase|clean-level(-third-octave|-by-limit)?|ceiling|onset"
    r"|(thd|h\d+)(-at-spl)?-db|thd(-at-spl)?-percent|fundamental-db|gain-change-db"
    r"|drive-at-spl-dbfs"
)
"""Endings of tables that may stand where no list was kept, or got lost; "ceiling" is a former one
of clean levels."""

_OF_A_SESSION = ("summary.csv", "limits.csv", "resonances.csv", "background.csv")


def write_result_files(
    results: Results,
    folder: Path,
    *,
    with_json: bool = True,
    with_report: bool = True,
    sidecars: Mapping[str, str] | None = None,
    decimal_comma: bool = False,
    style: Style | None = None,
) -> FileSet:
    """Replace what an earlier analysis has left in a folder; the user's own files there stay.

    Parameters
    ----------
    with_json : write ``results.json``; one of an earlier analysis is removed otherwise.
    with_report : write tables and report; those of an earlier analysis are removed otherwise.
    sidecars : texts by file name, of stimuli that were found in sound files.
    decimal_comma : tables with a decimal comma, and semicolons between cells.
    style : house style of figures and page, None: our own.

    Raises
    ------
    InputError
        The folder cannot be written, or another's file stands where one of these belongs; what
        stood there then still does.
    """
    with file_set(folder, head=RESULTS_NAME, unlisted=_unlisted) as made:
        if with_json:
            write_results(results, made.scratch / RESULTS_NAME)
        for name, text in (sidecars or {}).items():
            (made.scratch / name).write_text(text, encoding="utf-8")
        if with_report:
            from distsweep.report import write_report, write_tables

            write_tables(results, made.scratch / TABLES, decimal_comma=decimal_comma)
            chosen = {} if style is None else {"style": style}
            write_report(results, made.scratch / REPORT, workers=2, **chosen)
    return made


def check_result_place(folder: Path, *, with_json: bool = True, with_report: bool = True) -> None:
    """Refuse a folder that results cannot be written into: better before an analysis than after.

    Raises
    ------
    InputError
        It cannot be written, or another's file stands where results or report belong.
    """
    names = {RESULTS_NAME: with_json, f"{REPORT}/{PAGE}": with_report}
    check_place(folder, {name for name, given in names.items() if given}, unlisted=_unlisted)


def _unlisted(folder: Path) -> set[str]:
    """Return what a version that kept no list has left, by the names it gave its files.

    Only where its results.json stands beside: names alone prove nothing.
    """
    try:
        data = json.loads((folder / RESULTS_NAME).read_text(encoding="utf-8"))
        if not str(data["schema"]).startswith("distsweep.results/"):
            return set()
        positions = [str(take["position"]) for take in data["takes"]]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return set()
    from distsweep.report.names import unique_names

    takes = tuple(f"{name}-" for name in unique_names(positions))
    names = {RESULTS_NAME} | {
        f"{TABLES}/{path.name}"
        for path in (folder / TABLES).glob("*.csv")
        if path.name in _OF_A_SESSION
        or any(
            path.stem.startswith(take) and _OF_A_TAKE.fullmatch(path.stem.removeprefix(take))
            for take in takes
        )
    }
    try:
        page = (folder / REPORT / PAGE).read_text(encoding="utf-8", errors="replace")
    except OSError:
        return names
    figures = {
        f"{REPORT}/figures/{path.name}"
        for path in (folder / REPORT / "figures").glob("*")
        if path.suffix in (".svg", ".png") and f'id="figure.{path.stem}"' in page
    }
    return names | {f"{REPORT}/{PAGE}"} | figures
