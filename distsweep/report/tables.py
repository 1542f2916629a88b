"""Tables for a spreadsheet or a script, one CSV a take and topic."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from distsweep.report.clean_level.table import clean_level_table
from distsweep.report.distortion.csv_table import ladder_table, smoothed_thd_table
from distsweep.report.limits.staircase_table import staircase_table
from distsweep.report.names import unique_names
from distsweep.results import Results, Take
from distsweep.whole_files import write_whole_text


def write_tables(results: Results, folder: Path, *, decimal_comma: bool = False) -> list[Path]:
    """Write one CSV a take: harmonics, THD and gain change against frequency at each level.

    Parameters
    ----------
    results
        What ``analyse`` found.
    folder
        Folder to write into; it is made when missing, and other files in it stay.

    Returns
    -------
    list of Path
        ``POSITION-distortion.csv`` of each take that holds a ladder, in their order; the
        position is brought down to a–z, 0–9 and hyphens, and numbered when it comes twice.
        ``POSITION-thd-smoothed.csv`` holds THD over 1/12, 1/6 and 1/3 octave.
        ``POSITION-staircase.csv`` of each staircase, ``POSITION-clean-level.csv`` where
        highest clean levels were sought, and ``POSITION-clean-level-third-octave.csv``.

    Raises
    ------
    InputError
        A file cannot be written.

    Notes
    -----
    Comma separated, UTF-8, a point before decimals, a header row. A cell is empty where the
    number does not exist. Rows go through all frequencies of the first rung, then the next.
    Numbers that are not reliable are in the table too, noise among them: look at the
    ``…_reliable`` column (``true`` or ``false``) before you use one, and see
    `distsweep.report.distortion.csv_table.LEADING_COLUMNS`.
    """
    names = unique_names(take.position for take in results.takes)
    written = []
    for take, name in zip(results.takes, names, strict=True):
        for ending, text in _tables_of(take):
            path = Path(folder) / f"{name}-{ending}.csv"
            write_whole_text(path, text)
            written.append(path)
    return written


def _tables_of(take: Take) -> Iterator[tuple[str, str]]:
    """Yield the tables of a take: the ending of each file's name, and its text."""
    if take.rungs:
        yield "distortion", ladder_table(take)
        if any(rung.smoothed for rung in take.rungs):
            yield "thd-smoothed", smoothed_thd_table(take)
    if take.staircase:
        yield "staircase", staircase_table(take)
    if take.clean_level:
        yield "clean-level", clean_level_table(take.clean_level)
        if take.clean_level_third_octave:
            yield "clean-level-third-octave", clean_level_table(take.clean_level_third_octave)
