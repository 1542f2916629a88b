"""The folder with the page on what filters cost, and its figures."""

from __future__ import annotations

from functools import partial
from pathlib import Path

from distsweep.comparison.filters.record import WithFilters
from distsweep.report.comparison.filters.predicted import Predicted, predicted
from distsweep.report.comparison.filters.sections import all_sections
from distsweep.report.page import Head, device_name, write_page
from distsweep.report.stamp import Stamp, stamp
from distsweep.report.style import DEFAULT_STYLE, Style
from distsweep.results import Results


def write_filter_report(
    found: WithFilters,
    results: Results,
    folder: Path,
    *,
    workers: int = 1,
    style: Style = DEFAULT_STYLE,
) -> Path:
    """Write the report of what filters cost as a folder, whole or not at all.

    Parameters
    ----------
    found : what `distsweep.comparison.filters.with_filters` returned.
    results : the results that it was made from.
    folder : to make; a report that stands there already is replaced.
    workers : processes that draw figures.
    style : house style.

    Returns
    -------
    Path
        The page, ``folder/report.html``, which needs no other file.

    Raises
    ------
    InputError
        ``folder`` cannot be written, or holds something that is not part of a report.
    """
    what = predicted(found, results)
    head = Head(
        f"{device_name(results)}: with filters", _conditions(what), "what filters cost",
        "comparison.json",
    )  # fmt: skip
    return write_page(
        head, lambda: all_sections(what), folder,
        stamp_at=partial(_stamp, results), workers=workers, style=style,
    )  # fmt: skip


def _conditions(what: Predicted) -> str:
    count = len(what.found.filters)
    return (
        f"{count} {'filter' if count == 1 else 'filters'}, predicted from the measured ladder: "
        "a filter changes the drive, harmonics arise behind it and are not filtered."
    )


def _stamp(results: Results, position: str, style: Style) -> Stamp:
    return stamp(results, position, style)
