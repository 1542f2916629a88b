"""``distsweep compare``: results side by side, or one with filters in front."""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from distsweep.cli._places import json_elsewhere
from distsweep.cli._printing import say, show_share
from distsweep.cli._report_options import (
    chosen_style,
    decimal_comma_option,
    folder_option,
    json_option,
    no_report_option,
    style_option,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from distsweep.comparison.filters import Filter
    from distsweep.comparison.record import Comparison
    from distsweep.file_sets import FileSet
    from distsweep.sources import ReadSource

AT_DRIVE, AT_BAND_SPL, AT_SPL = "drive", "band-spl", "spl"

MOST_SHOWN = 20
"""Findings that the terminal shows (chosen: they leave room on a screen for the files' places)."""


@click.command("compare")
@click.argument(
    "sources",
    metavar="RESULTS...",
    nargs=-1,
    required=True,
    type=click.Path(path_type=Path),
)
@folder_option(
    "Folder for comparison.json, tables and report, which replace those of an earlier"
    " comparison; other files in it stay, and a folder of an analysis is refused."
    " [default: one beside the first session or file, named after what is compared]"
)
@json_option(
    "Write the comparison to FILE instead of comparison.json in the folder; '-' is stdout."
    " Only a file of a comparison is replaced."
)
@click.option(
    "--at-equal",
    type=click.Choice([AT_DRIVE, AT_BAND_SPL, AT_SPL]),
    help="What is equal on both sides: the drive, the SPL over the level band, or the SPL at each"
    " frequency.  [default: drive]",
)
@click.option(
    "--filters",
    "filters_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="What filters in front of the loudspeaker cost: a TOML file with a [[filters]] table each."
    " Give one RESULTS.",
)
@click.option(
    "--levels-spl",
    metavar="LEVELS",
    help="With --filters: listening levels at which THD and headroom are told, '80 and 90', means"
    " over the level band. [default: those that the session states, else 85 where it was played]",
)
@no_report_option("No tables, figures and page: comparison.json only.")
@style_option(
    "House style of figures and page, in TOML."
    " [default: style.toml beside the first session, if there is one]"
)
@decimal_comma_option
def command(
    sources: tuple[Path, ...],
    folder: Path | None,
    json_file: str | None,
    at_equal: str | None,
    filters_file: Path | None,
    levels_spl: str | None,
    no_report: bool,
    style_file: Path | None,
    decimal_comma: bool,
) -> None:
    """Compare RESULTS with the first of them: say what differs beyond doubt, largest first.

    RESULTS are files, folders, sessions or bundles. One without results is analysed. With
    --filters, one loudspeaker is compared with itself through filters.
    """
    from distsweep.comparison_files import COMPARISON_NAME, write_comparison
    from distsweep.results import to_json
    from distsweep.sources import comparison_folder, home_of, read_sources

    _check_usage(sources, filters_file, at_equal, levels_spl)
    style = chosen_style(style_file, home_of(sources[0]), no_report=no_report)
    filters, levels = _filters(filters_file), _levels(levels_spl)
    folder = folder or comparison_folder(sources, filters_file)
    elsewhere = json_elsewhere(json_file, folder, COMPARISON_NAME)
    parts = {"with_json": elsewhere is None, "with_report": not no_report}
    if all(map(os.path.lexists, sources)):  # one that is missing is reported first
        _check_places(folder, elsewhere, parts)
    read = read_sources(sources, progress=say, searching=show_share)
    done = _compared(read, at_equal) if filters is None else _filtered(read[0], filters, levels)
    if elsewhere == "-":
        sys.stdout.write(to_json(done.comparison) + "\n")
    elif elsewhere is not None:
        write_comparison(done.comparison, Path(elsewhere))
    made = None
    if any(parts.values()):
        made = done.write(folder, decimal_comma=decimal_comma, style=style, **parts)
    _say_what_differs(done.comparison)
    if elsewhere not in (None, "-"):
        say(f"comparison: {elsewhere}")
    if made is not None:
        _say_files(made, folder)


@dataclass(frozen=True)
class _Done:
    """A comparison, and what writes its files into a folder."""

    comparison: Comparison
    write: Callable[..., FileSet]


def _compared(read: Sequence[ReadSource], at_equal: str | None) -> _Done:
    from distsweep.comparison.compare import compare
    from distsweep.comparison.record import BAND, DRIVE, EACH_FREQUENCY
    from distsweep.comparison_files import write_comparison_files
    from distsweep.sources import short_names, with_origins

    aligned = {None: DRIVE, AT_DRIVE: DRIVE, AT_BAND_SPL: BAND, AT_SPL: EACH_FREQUENCY}[at_equal]
    results = [source.results for source in read]
    found = with_origins(compare(*results, aligned=aligned, names=short_names(read)), read)
    return _Done(found, partial(write_comparison_files, found, results))


def _filtered(
    source: ReadSource, filters: Sequence[Filter], levels: Sequence[float] | None
) -> _Done:
    from distsweep.comparison.filters import with_filters
    from distsweep.comparison_files import write_filter_files
    from distsweep.sources import with_origins

    found = with_filters(source.results, filters, levels_spl=levels)
    found = replace(found, comparison=with_origins(found.comparison, [source]))
    return _Done(found.comparison, partial(write_filter_files, found, source.results))


def _check_usage(
    sources: Sequence[Path],
    filters_file: Path | None,
    at_equal: str | None,
    levels_spl: str | None,
) -> None:
    """Refuse arguments that do not go together."""
    if filters_file is None and len(sources) < 2:
        raise click.UsageError("give two RESULTS or more, or one and --filters FILE")
    if filters_file is not None and len(sources) > 1:
        raise click.UsageError(
            "--filters goes with one RESULTS: compare the filters on each loudspeaker by itself"
        )
    if filters_file is not None and at_equal is not None:
        raise click.UsageError(
            "--at-equal goes with two RESULTS or more: filters are tried at equal drive and at"
            " equal level"
        )
    if filters_file is None and levels_spl is not None:
        raise click.UsageError("--levels-spl goes with --filters")


def _filters(file: Path | None) -> list[Filter] | None:
    if file is None:
        return None
    from distsweep.comparison.filters import read_filters

    return read_filters(file)


def _levels(text: str | None) -> tuple[float, ...] | None:
    if text is None:
        return None
    from distsweep.capture.levels import parse_levels

    return parse_levels(text)


def _check_places(folder: Path, elsewhere: str | None, parts: Mapping[str, bool]) -> None:
    """Refuse, before the work, places where a comparison cannot be written."""
    from distsweep.comparison.record import SCHEMA
    from distsweep.comparison_files import check_comparison_place
    from distsweep.whole_files import check_json_place

    if elsewhere is not None and elsewhere != "-":
        check_json_place(Path(elsewhere), schema=SCHEMA)
    if any(parts.values()):
        check_comparison_place(folder, **parts)


def _say_what_differs(comparison: Comparison) -> None:
    """Say what differs, what cannot be seen to, under which conditions, what was left out."""
    for number, finding in enumerate(comparison.findings[:MOST_SHOWN], start=1):
        say(f"{number}. {finding.sentence}")
    if (more := len(comparison.findings) - MOST_SHOWN) > 0:
        say(f"and {more} that differ less: comparison.json holds all")
    if not comparison.findings:
        say("Nothing differs beyond doubt.")
    for sentence in comparison.unseen[:MOST_SHOWN]:
        say(f"alike: {sentence}")
    if (more := len(comparison.unseen) - MOST_SHOWN) > 0:
        say(f"alike: {more} more: page and JSON hold all")
    for sentence in comparison.conditions:
        say(f"conditions: {sentence}")
    for sentence in comparison.not_compared:
        say(f"not compared: {sentence}")


def _say_files(made: FileSet, folder: Path) -> None:
    """Say which files were written, and what was removed."""
    from distsweep.comparison_files import COMPARISON_NAME, FILTERS_NAME, PAGE, REPORT, TABLES

    if made.removed:
        say(f"removed: {len(made.removed)} file(s) of an earlier comparison in {folder}")
    places = {
        "comparison": folder / COMPARISON_NAME,
        "filters": folder / FILTERS_NAME,
        "report": folder / REPORT / PAGE,
    }
    tables = [path for path in made.written if path.parent == folder / TABLES]
    if tables:
        say(f"tables: {len(tables)} in {folder / TABLES}")
    for name, path in places.items():
        if path in made.written:
            say(f"{name}: {path}")
