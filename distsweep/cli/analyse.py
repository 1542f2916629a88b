"""``distsweep analyse``: the main job."""

from __future__ import annotations

import gc
import os
import sys
from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

import click

from distsweep.cli._places import is_same, json_elsewhere
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
    from collections.abc import Iterable, Mapping, Sequence
    from contextlib import AbstractContextManager

    from distsweep.file_sets import FileSet
    from distsweep.results import Results, Take
    from distsweep.stimulus.found_sweep import FoundStimulus
    from distsweep.takes.session import Session


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
    help="Sidecar (.json) of the stimulus that was played, or the sound file itself, in which the"
    " exponential sweep is found: analyse RECORDING without a session."
    " Of a split stimulus, give one RECORDING a file, in order.",
)
@click.option(
    "--channel",
    type=click.IntRange(min=1),
    help="Channel of RECORDING, from 1. [default: 1, or the one that holds the stimulus]",
)
@click.option(
    "--loopback-channel",
    type=click.IntRange(min=1),
    help="Channel of RECORDING that the output was wired back to: it tells clock and delay, and"
    " what the interface distorts by itself. [default: none]",
)
@folder_option(
    "Folder for results.json, tables and report, which replace those of an earlier analysis;"
    " other files in it stay. [default: SESSION/results, or"
    " NAME-results beside RECORDING or a bundle]"
)
@json_option(
    "Write the results to FILE instead of results.json in the folder; '-' is stdout."
    " Only a file of results is replaced."
)
@no_report_option("No tables, figures and page: results only.")
@style_option(
    "House style of figures and page, in TOML: axes, sizes, colours, fonts, logo."
    " [default: style.toml beside the session, if there is one]"
)
@click.option(
    "--bundle",
    type=click.Path(path_type=Path),
    help="Pack results, tables, page, recordings (as FLAC), stimuli and session into one ZIP file,"
    " which analyse takes in a session's place, elsewhere too. Only a bundle is replaced.",
)
@decimal_comma_option
def command(
    sources: tuple[Path, ...],
    stimulus: Path | None,
    channel: int | None,
    loopback_channel: int | None,
    folder: Path | None,
    json_file: str | None,
    no_report: bool,
    style_file: Path | None,
    bundle: Path | None,
    decimal_comma: bool,
) -> None:
    """Analyse a SESSION (a folder, a session.toml or a bundle), or RECORDINGs with --stimulus."""
    # A short process that builds long lists: looking through them for cycles, of which there
    # are none, would take a thirtieth of its time.
    gc.disable()
    click.get_current_context().call_on_close(gc.enable)
    from distsweep.result_files import RESULTS_NAME, write_result_files
    from distsweep.results import to_json, write_results

    channels = {"channel": channel, "loopback_channel": loopback_channel}
    _check_sources(sources, stimulus=stimulus, channels=channels)
    beside = None if stimulus is not None else _home(sources[0])
    style = chosen_style(style_file, beside, no_report=no_report)
    folder = folder or _default_folder(sources[0], stimulus=stimulus)
    elsewhere = json_elsewhere(json_file, folder, RESULTS_NAME)
    parts = {"with_json": elsewhere is None, "with_report": not no_report}
    if all(map(os.path.lexists, sources)):  # one that is missing is reported first
        _check_places(folder, elsewhere, bundle, sources[0], parts)
    with _opened(sources, stimulus=stimulus, channels=channels) as session:
        results, sidecars = _analysed(session)
        if elsewhere == "-":
            sys.stdout.write(to_json(results) + "\n")
        elif elsewhere is not None:
            write_results(results, Path(elsewhere))
            say(f"results: {elsewhere}")
        made = None
        if any(parts.values()):
            made = write_result_files(results, folder, sidecars=sidecars, style=style,
                                      decimal_comma=decimal_comma, **parts)  # fmt: skip
        if bundle is not None:
            _write_bundle(bundle, session, results, made, folder, style_file)
    _say_what_to_know(results)
    _say_likeness(sources[0], results)
    if made is not None:
        _report_files(made, folder, sidecars)
    if bundle is not None:
        say(f"bundle: {bundle}")


def _check_places(
    folder: Path,
    elsewhere: str | None,
    bundle: Path | None,
    source: Path,
    parts: Mapping[str, bool],
) -> None:
    """Refuse, before an analysis, places where its results cannot be written."""
    from distsweep.result_files import check_result_place
    from distsweep.results import SCHEMA
    from distsweep.whole_files import check_json_place

    if elsewhere is not None and elsewhere != "-":
        check_json_place(Path(elsewhere), schema=SCHEMA)
    if any(parts.values()):
        check_result_place(folder, **parts)
    _check_bundle(bundle, source)


def _check_sources(
    sources: Sequence[Path], *, stimulus: Path | None, channels: Mapping[str, int | None]
) -> None:
    """Refuse arguments that do not go together."""
    from distsweep.errors import InputError

    if stimulus is not None:
        return
    source = sources[0]
    if len(sources) > 1:
        raise click.UsageError("several recordings go with --stimulus; or give one session")
    if source.suffix.lower() in (".wav", ".flac", ".aiff", ".aif") and source.is_file():
        raise InputError(
            f"{source}: is a recording, and no session: add --stimulus with the sidecar of"
            " the stimulus that was played, or with the sound file itself"
        )
    for name, channel in channels.items():
        if channel is not None:
            option = f"--{name.replace('_', '-')}"
            raise click.UsageError(f"{option} goes with --stimulus; a session names its channels")


def _home(session: Path) -> Path:
    """Return the folder that a session is, or that it stands in."""
    return session if session.is_dir() else session.parent


def _default_folder(source: Path, *, stimulus: Path | None) -> Path:
    if stimulus is not None:
        return source.with_name(f"{source.stem}-results")
    from distsweep.takes.bundle import looks_like_bundle

    if looks_like_bundle(source):
        return source.with_name(f"{source.stem}-results")
    return _home(source) / "results"


def _check_bundle(bundle: Path | None, source: Path) -> None:
    """Refuse a place where no bundle can be written, and to replace the one that is analysed."""
    if bundle is None:
        return
    from distsweep.errors import InputError
    from distsweep.takes.bundle_packing import check_bundle_place

    if is_same(bundle, source):
        raise InputError(f"{bundle}: is what is analysed: choose another name for the new bundle")
    check_bundle_place(bundle)


def _write_bundle(
    bundle: Path,
    session: Session,
    results: Results,
    made: FileSet | None,
    folder: Path,
    style_file: Path | None,
) -> None:
    """Pack the session, and the files that were written of its results."""
    from distsweep.takes.bundle_packing import write_bundle

    written = [] if made is None else made.written
    files = {path.relative_to(folder).as_posix(): path for path in written}
    write_bundle(bundle, session, results, result_files=files, style=style_file)


def _opened(
    sources: Sequence[Path], *, stimulus: Path | None, channels: Mapping[str, int | None]
) -> AbstractContextManager[Session]:
    """Return what gives the session, also that of recordings without one, as long as it lasts."""
    from distsweep.takes.bundle import opened_session
    from distsweep.takes.recording_session import recording_session

    if stimulus is None:
        return opened_session(sources[0])
    return nullcontext(recording_session(sources, stimulus=stimulus, **channels))


def _analysed(session: Session) -> tuple[Results, dict[str, str]]:
    """Return the results, and sidecars by file name of stimuli found in sound files."""
    from distsweep.pipeline import analyse

    sidecars: dict[str, str] = {}

    def keep(found: FoundStimulus) -> None:
        from distsweep.stimulus.found_sidecar import found_sidecar_text

        sidecars[f"{Path(found.file.name).stem}-sweep.json"] = found_sidecar_text(found)

    return analyse(session, progress=say, searching=show_share, found=keep), sidecars


def _say_what_to_know(results: Results) -> None:
    """Say what the reader of the numbers must know, and what would make more of them known."""
    from distsweep.words.calibration import correction as correction_of
    from distsweep.words.damage import damage_sentences

    if correction := correction_of(results.calibration):
        say(f"microphone correction: {correction}")
    for warning in results.warnings:
        place = f"take {warning.take!r}: " if warning.take else ""
        say(f"warning: {place}{warning.message}")
    for take in results.takes:
        for sentence in damage_sentences(take.damage, take.rungs):
            say(f"damage: {_called(take)}: {sentence}")
    for take in results.takes:
        for advice in take.thd_advice:
            say(f"{_called(take)}: {advice.sentence}")


def _called(take: Take) -> str:
    placement = "" if take.placement is None else f", placement {take.placement}"
    return f"take {take.position!r}{placement}"


def _say_likeness(source: Path, results: Results) -> None:
    """Say of a bundle whether the results in it hold the same numbers."""
    from distsweep.takes.bundle import looks_like_bundle, packed_results

    packed = packed_results(source) if looks_like_bundle(source) else None
    if packed is None:
        return
    from distsweep.results import to_json
    from distsweep.results.likeness import likeness
    from distsweep.words.likeness import likeness_sentence

    try:
        compared = likeness(packed, to_json(results))
    except (ValueError, RecursionError, OverflowError):
        say("bundle: the results in it cannot be read, and were not compared")
        return
    say(f"bundle: {likeness_sentence(compared)}")


def _report_files(made: FileSet, folder: Path, sidecars: Iterable[str]) -> None:
    """Say which files were written, figures left out, and what was removed."""
    from distsweep.result_files import PAGE, REPORT, RESULTS_NAME, TABLES

    if made.removed:
        say(f"removed: {len(made.removed)} file(s) of an earlier analysis in {folder}")
    for name in sidecars:
        say(f"sidecar of the sweep that was found: {folder / name}")
    tables = [path for path in made.written if path.parent == folder / TABLES]
    if folder / RESULTS_NAME in made.written:
        say(f"results: {folder / RESULTS_NAME}")
    if tables:
        say(f"tables: {len(tables)} in {folder / TABLES}")
    if folder / REPORT / PAGE in made.written:
        say(f"report: {folder / REPORT / PAGE}")
