"""The files that an analysis leaves: results.json, tables and report, always of one analysis."""

from __future__ import annotations

import json
from pathlib import Path

from distsweep.file_sets import FileSet, file_set
from distsweep.report.names import unique_names
from distsweep.results import Results, write_results

RESULTS_NAME, TABLES, REPORT = "results.json", "tables", "report"

_TABLE_ENDINGS = ("distortion", "staircase", "clean-level", "clean-level-third-octave", "ceiling")
"""Of tables that may stand where no list was kept; the last is the former name of the third."""


def write_result_files(
    results: Results, folder: Path, *, with_json: bool = True, with_report: bool = True
) -> FileSet:
    """Replace what an earlier analysis has left in a folder; the user's own files there stay.

    Parameters
    ----------
    with_json : write ``results.json``; one of an earlier analysis is removed otherwise.
    with_report : write tables and report; those of an earlier analysis are removed otherwise.

    Raises
    ------
    InputError
        The folder cannot be written; what stood there then still does.
    """
    with file_set(folder, head=RESULTS_NAME, unlisted=_unlisted) as made:
        if with_json:
            write_results(results, made.scratch / RESULTS_NAME)
        if with_report:
            from distsweep.report import write_report, write_tables

            write_tables(results, made.scratch / TABLES)
            write_report(results, made.scratch / REPORT, workers=2)
    return made


def _unlisted(folder: Path) -> set[str]:
    """Return what a version that kept no list has left, by the names it gave its files."""
    found: set[str] = set()
    positions = []
    try:
        data = json.loads((folder / RESULTS_NAME).read_text(encoding="utf-8"))
        if str(data["schema"]).startswith("distsweep.results/"):
            found.add(RESULTS_NAME)
            positions = [str(take["position"]) for take in data["takes"]]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        pass
    found |= {
        f"{TABLES}/{name}-{ending}.csv"
        for name in unique_names(positions)
        for ending in _TABLE_ENDINGS
    }
    try:
        page = (folder / REPORT / "report.html").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return found
    figures = {
        f"{REPORT}/figures/{path.name}"
        for path in (folder / REPORT / "figures").glob("*")
        if path.suffix in (".svg", ".png") and f'id="figure.{path.stem}"' in page
    }
    return found | {f"{REPORT}/report.html"} | figures
