"""Tables for a spreadsheet or a script, as CSV files: UTF-8, a header row.

Of the session: ``summary.csv`` (a row a rung), ``limits.csv``, ``resonances.csv``,
``background.csv`` and, where the microphone was put back, ``reproducibility.csv``. Of each take,
with its position brought down to a–z, 0–9 and hyphens, and numbered when it comes twice:

- wide tables, frequency down and levels across: ``POSITION-thd-percent.csv``, ``-thd-db``,
  ``-fundamental-db``, ``-gain-change-db``, ``-h2-db`` and so on, and where levels were stated
  ``-thd-at-spl-percent``, ``-thd-at-spl-db``, ``-h2-at-spl-db`` …, and ``-drive-at-spl-dbfs``, the
  drive that gives each level;
- ``-onset``, the drives at which the gain has fallen, and ``-clean-level-by-limit``, the highest
  clean levels, limits across;
- long tables: ``-distortion`` (a row a frequency and rung), ``-thd-smoothed`` (THD over 1/12, 1/6
  and 1/3 octave), ``-staircase``, ``-clean-level``, ``-clean-level-third-octave``;
- ``-hiss``, a row a third of an octave, where the background was recorded with the loudspeaker on.

A cell is empty where the number does not exist. Wide tables name unit, drive and level in their
headings: see `distsweep.report.wide_table`. Values stand in them only where they are reliable, so
that a chart shows no noise. In long tables numbers that are not reliable are there too, noise among
them: look at the ``…_reliable`` column (``true`` or ``false``) before you use one, and see
`distsweep.report.distortion.csv_table.LEADING_COLUMNS`.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from distsweep.report.background.csv_table import background_table
from distsweep.report.clean_level.levels import shown
from distsweep.report.clean_level.table import clean_level_table
from distsweep.report.clean_level.wide_table import clean_levels_by_limit
from distsweep.report.csv_text import write_csv_files
from distsweep.report.distortion.csv_table import ladder_table, smoothed_thd_table
from distsweep.report.distortion.wide_tables import wide_tables
from distsweep.report.hiss.csv_table import hiss_table
from distsweep.report.hiss.words import hissing
from distsweep.report.limits.csv_tables import limits_table, onset_table
from distsweep.report.limits.staircase_table import staircase_table
from distsweep.report.limits.staircase_wide import wide_staircase_tables
from distsweep.report.names import unique_names
from distsweep.report.placements.csv_table import reproducibility_table
from distsweep.report.resonances.csv_table import resonance_table
from distsweep.report.stated_levels.csv_tables import stated_level_tables
from distsweep.report.summary_table import summary_table
from distsweep.results import Results, Take
from distsweep.words.wording import level_unit


def write_tables(results: Results, folder: Path, *, decimal_comma: bool = False) -> list[Path]:
    """Write what was found as CSV files: wide ones for a spreadsheet, long ones for a script.

    Parameters
    ----------
    results
        What ``analyse`` found.
    folder
        Folder to write into; it is made when missing, and other files in it stay.
    decimal_comma
        A comma before decimals and semicolons between cells, as spreadsheets in many languages
        expect; else a point and commas.

    Returns
    -------
    list of Path
        The files: those of each take, in their order, then those of the session. What each holds
        says `distsweep.report.tables`.

    Raises
    ------
    InputError
        A file cannot be written.

    Notes
    -----
    In wide tables, frequency down and levels across, a value stands only where it is reliable, with
    the ends of its 95 % interval behind all values; in long ones every value stands, noise too.
    """
    return write_csv_files(all_tables(results), folder, decimal_comma=decimal_comma)


def all_tables(results: Results) -> Iterator[tuple[str, str]]:
    """Yield each table: its file's name without the ending, and its text."""
    names = unique_names(take.position for take in results.takes)
    for take, name in zip(results.takes, names, strict=True):
        for ending, text in _tables_of(take):
            yield f"{name}-{ending}", text
    quiet = hissing(results)
    for take, name in zip(quiet, unique_names(take.position for take in quiet), strict=True):
        yield f"{name}-hiss", hiss_table(results, take)
    for name, table in (
        ("summary", summary_table),
        ("limits", limits_table),
        ("resonances", resonance_table),
        ("background", background_table),
        ("reproducibility", reproducibility_table),
    ):
        whole = table(results)
        if whole is not None:
            yield name, whole


def _tables_of(take: Take) -> Iterator[tuple[str, str]]:
    """Yield the tables of a take: the ending of each file's name, and its text."""
    if take.rungs:
        yield "distortion", ladder_table(take)
        if any(rung.smoothed for rung in take.rungs):
            yield "thd-smoothed", smoothed_thd_table(take)
        yield from wide_tables(take)
        yield from stated_level_tables(take)
        onsets = onset_table(take)
        if onsets is not None:
            yield "onset", onsets
    if take.staircase:
        yield "staircase", staircase_table(take)
        yield from wide_staircase_tables(take)
    if take.clean_level:
        yield "clean-level", clean_level_table(take.clean_level)
        if take.clean_level_third_octave:
            yield "clean-level-third-octave", clean_level_table(take.clean_level_third_octave)
        if limits := shown(take):
            yield "clean-level-by-limit", clean_levels_by_limit(limits, level_unit(take))
