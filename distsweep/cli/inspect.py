"""``distsweep inspect``: what a recording holds, before or instead of an analysis."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from distsweep.cli import _printing as printing


@click.command("inspect")
@click.argument(
    "recordings",
    metavar="RECORDING...",
    nargs=-1,
    required=True,
    type=click.Path(path_type=Path),
)
@click.option(
    "--stimulus",
    type=click.Path(path_type=Path),
    help="Sidecar (.json) of a stimulus, or a sound file that was played: look for it, and say"
    " where it was played.",
)
@click.option(
    "--json",
    "json_file",
    metavar="FILE",
    help="Write what was found as JSON; '-' is stdout, instead of the text. Only a file of"
    " inspections is replaced.",
)
def command(recordings: tuple[Path, ...], stimulus: Path | None, json_file: str | None) -> None:
    """Tell what RECORDINGs hold: levels, background, clipping, damage, where a stimulus is.

    No distortion is looked for, and no sidecar is needed.
    """
    from distsweep.results import to_json
    from distsweep.results.inspection import SCHEMA, Inspections
    from distsweep.takes.inspected_runs import LookedFor
    from distsweep.takes.inspection import inspect_recording
    from distsweep.takes.played import read_played
    from distsweep.whole_files import check_json_place, write_whole_text
    from distsweep.words.inspection import inspection_page

    if json_file is not None and json_file != "-":
        check_json_place(Path(json_file), schema=SCHEMA)
    looked_for = None if stimulus is None else LookedFor(stimulus, read_played(stimulus))
    found = []
    for path in recordings:
        found.append(inspect_recording(path, looked_for, searching=printing.show_share))
        if json_file != "-":
            printing.put_out(inspection_page(found[-1]))
    if json_file == "-":
        printing.finish()
        sys.stdout.write(to_json(Inspections(recordings=found)) + "\n")
    elif json_file is not None:
        write_whole_text(Path(json_file), to_json(Inspections(recordings=found)) + "\n")
