"""Tables of a comparison for a spreadsheet or a script, as CSV files: UTF-8, a header row."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from distsweep.comparison.record import Comparison
from distsweep.results import Results


def write_comparison_tables(
    comparison: Comparison,
    sources: Sequence[Results],
    folder: Path,
    *,
    decimal_comma: bool = False,
) -> list[Path]:
    """Write what differs as CSV files, and return their paths.

    Parameters
    ----------
    comparison : what differs.
    sources : the results compared, in the order of ``comparison.sources``.
    folder : to write into; it is made when missing, and other files in it stay.
    decimal_comma : a comma before decimals and semicolons between cells.

    Raises
    ------
    InputError
        A file cannot be written.
    """
    raise NotImplementedError
