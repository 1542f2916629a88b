"""``distsweep analyse``: the main job."""

from __future__ import annotations

import gc
import sys
from pathlib import Path

import click


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
    help="Folder for results.json, tables and report. [default: SESSION/results, or"
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
    else:
        file = Path(json_file) if json_file else folder / "results.json"
        write_results(results, file)
        _say(f"results: {file}")
    if correction := correction_words(results.calibration):
        _say(f"microphone correction: {correction}")
    for warning in results.warnings:
        place = f"take {warning.take!r}: " if warning.take else ""
        _say(f"warning: {place}{warning.message}")
    if not no_report:
        from distsweep.report import write_report, write_tables

        for table in write_tables(results, folder / "tables"):
            _say(f"table: {table}")
        _say(f"report: {write_report(results, folder / 'report', workers=2)}")


def _say(text: str) -> None:
    click.echo(text, err=True)
