"""``distsweep analyse``: the main job."""

from __future__ import annotations

import gc
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from distsweep.file_sets import FileSet


@click.command("analyse")
@click.argument(
    "sources",
    metavar="SESSION|RECORDING...",
    nargs=-1,
    required=True,
    type=click.Path(path_type=Path),
)
@click.option(
    "--stimulus",
    type=click.Path(path_type=Path),
    help="Sidecar (.json) of the stimulus that was played: analyse RECORDING without a session."
    " Of a split stimulus, give one RECORDING a file, in order.",
)
@click.option("--channel", type=click.IntRange(min=1), help="Channel of RECORDING, from 1.")
@click.option(
    "-o",
    "--output",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for results.json, tables and report, which replace those of an earlier analysis;"
    " other files in it stay. [default: SESSION/results, or"
    " NAME-results beside RECORDING]",
)
@click.option(
    "--json",
    "json_file",
    metavar="FILE",
    help="Write the results to FILE instead of results.json in the folder; '-' is stdout.",
)
@click.option("--no-report", is_flag=True, help="No tables, figures and page: results only.")
def command(
    sources: tuple[Path, ...],
    stimulus: Path | None,
    channel: int | None,
    folder: Path | None,
    json_file: str | None,
    no_report: bool,
) -> None:
    """Analyse a SESSION (a folder or a session.toml), or RECORDINGs with --stimulus."""
    # A short process that builds long lists: looking through them for cycles, of which there
    # are none, would take a thirtieth of its time.
    gc.disable()
    click.get_current_context().call_on_close(gc.enable)
    from distsweep.errors import InputError
    from distsweep.pipeline import analyse, analyse_recording
    from distsweep.report.facts import correction_words
    from distsweep.result_files import RESULTS_NAME, write_result_files
    from distsweep.results import to_json, write_results

    source = sources[0]
    if stimulus is None:
        if len(sources) > 1:
            raise click.UsageError("several recordings go with --stimulus; or give one session")
        if source.suffix.lower() in (".wav", ".flac", ".aiff", ".aif") and source.is_file():
            raise InputError(
                f"{source}: is a recording, and no session: add --stimulus with the sidecar of"
                " the stimulus that was played"
            )
        if channel is not None:
            raise click.UsageError("--channel goes with --stimulus; a session names its channels")
        results = analyse(source, progress=_say)
        folder = folder or (source if source.is_dir() else source.parent) / "results"
    else:
        results = analyse_recording(sources, stimulus=stimulus, channel=channel or 1, progress=_say)
        folder = folder or source.with_name(f"{source.stem}-results")
    if json_file == "-":
        sys.stdout.write(to_json(results) + "\n")
    elif json_file is not None and not _is_same(Path(json_file), folder / RESULTS_NAME):
        write_results(results, Path(json_file))
        _say(f"results: {json_file}")
    else:
        json_file = None
    made = None
    if json_file is None or not no_report:
        made = write_result_files(
            results, folder, with_json=json_file is None, with_report=not no_report
        )
    if correction := correction_words(results.calibration):
        _say(f"microphone correction: {correction}")
    for warning in results.warnings:
        place = f"take {warning.take!r}: " if warning.take else ""
        _say(f"warning: {place}{warning.message}")
    if made is not None:
        _tell(made, folder)


def _tell(made: FileSet, folder: Path) -> None:
    """Say which files were written, figures left out, and what was removed."""
    from distsweep.result_files import REPORT, RESULTS_NAME, TABLES

    if made.removed:
        _say(f"removed: {len(made.removed)} file(s) of an earlier analysis in {folder}")
    named = {"results": folder / RESULTS_NAME, "table": folder / TABLES, "report": folder / REPORT}
    for what, place in named.items():
        for path in made.written:
            if place in (path, path.parent):
                _say(f"{what}: {path}")


def _is_same(path: Path, other: Path) -> bool:
    """Tell whether two paths are one place, whether there is a file or not."""
    try:
        return path.resolve() == other.resolve()
    except (OSError, RuntimeError):  # a loop of links
        return False


def _say(text: str) -> None:
    click.echo(text, err=True)
