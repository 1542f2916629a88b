"""The folder with a comparison's page and its figures."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from distsweep.comparison.record import Comparison
from distsweep.report.style import DEFAULT_STYLE, Style
from distsweep.results import Results


def write_comparison_report(
    comparison: Comparison,
    sources: Sequence[Results],
    folder: Path,
    *,
    workers: int = 1,
    style: Style = DEFAULT_STYLE,
) -> Path:
    """Write the report of a comparison as a folder, whole or not at all.

    Parameters
    ----------
    comparison : what differs.
    sources : the results compared, in the order of ``comparison.sources``.
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
    raise NotImplementedError
