"""What is compared: results, wherever they lie, and sessions and bundles whose results are made."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from distsweep.comparison.record import Comparison
from distsweep.errors import InputError
from distsweep.pipeline import analyse
from distsweep.report.names import safe_name
from distsweep.results import SCHEMA, Results, parse_results, read_results
from distsweep.take_pipeline import Progress
from distsweep.takes.bundle import looks_like_bundle, opened_bundle, packed_results
from distsweep.takes.marker_search import Searching
from distsweep.takes.session import Session, read_session
from distsweep.toml_input import read_toml
from distsweep.whole_files import json_schema
from distsweep.words.sources import (
    analysed_now,
    changed_since,
    is_no_source,
    nothing_in_folder,
    other_schema,
    sessions_in_folder,
)

RESULTS_NAME, RESULTS_FOLDER, SESSION_NAME = "results.json", "results", "session.toml"
"""Where an analysis leaves its results, in a session's folder (contract)."""

RECORDING_ENDINGS = (".wav", ".flac", ".aif", ".aiff", ".ogg", ".mp3", ".w64", ".caf")

SHOWN_SESSIONS = 3
"""Sessions that are named of a folder that holds several (chosen: one line has room for them)."""


@dataclass(frozen=True)
class ReadSource:
    """Results with where they come from.

    ``place`` is what was given. ``file`` is the file that was read: the ``results.json``, a bundle,
    or the ``session.toml`` of a session that was analysed now. ``notes`` are sentences on that.
    """

    results: Results
    place: Path
    file: Path
    notes: tuple[str, ...] = ()


def read_source(
    path: str | Path, *, progress: Progress | None = None, searching: Searching | None = None
) -> ReadSource:
    """Read the results that a path leads to.

    Parameters
    ----------
    path : a ``results.json``; a folder that holds one; a session (its folder or ``session.toml``),
        whose ``results/results.json`` is read, or which is analysed where there is none; or a
        bundle, whose results are read, or which is analysed where it holds none.
    progress, searching : as of `distsweep.pipeline.analyse`, where something must be analysed.

    Raises
    ------
    InputError
        It leads to no results: one line says what is there, and what to give instead.
    """
    path = Path(path)
    analysed = _Analyst(progress, searching)
    if path.is_dir():
        return _of_folder(path, analysed)
    if not path.exists():
        raise InputError(f"{path}: is not there: check the path")
    if not path.is_file():
        raise InputError(is_no_source(str(path), "no file"))
    if looks_like_bundle(path):
        return _of_bundle(path, analysed)
    if path.suffix.lower() == ".toml":
        if _holds_filters(path):
            raise InputError(is_no_source(str(path), "a file of filters"))
        return _of_session(path, path, analysed)
    if path.suffix.lower() in RECORDING_ENDINGS:
        raise InputError(is_no_source(str(path), "a recording"))
    return _of_file(path, path)


def _holds_filters(path: Path) -> bool:
    """Tell a file of filters from a session's."""
    table = read_toml(path)
    return "filters" in table and "takes" not in table


def read_sources(
    paths: Sequence[str | Path],
    *,
    progress: Progress | None = None,
    searching: Searching | None = None,
) -> list[ReadSource]:
    """Read several sources, none of them twice.

    Raises
    ------
    InputError
        As `read_source`; or two paths lead to one file.
    """
    sources: list[ReadSource] = []
    for path in paths:
        source = read_source(path, progress=progress, searching=searching)
        same = next((one for one in sources if _is_one_file(one.file, source.file)), None)
        if same is not None:
            raise InputError(
                f"{source.place}: is given twice ({same.place} leads to the same file,"
                f" {source.file}): give each source once"
            )
        sources.append(source)
    return sources


@dataclass(frozen=True)
class _Analyst:
    """Analyses sessions, and tells of it."""

    progress: Progress | None
    searching: Searching | None

    def __call__(self, session: Session) -> Results:
        return analyse(session, progress=self.progress, searching=self.searching)


def _of_folder(folder: Path, analysed: _Analyst) -> ReadSource:
    if (folder / SESSION_NAME).is_file():
        return _of_session(folder, folder / SESSION_NAME, analysed)
    for file in (folder / RESULTS_NAME, folder / RESULTS_FOLDER / RESULTS_NAME):
        if file.is_file():
            return _of_file(folder, file)
    try:
        inside = sorted(path for path in folder.iterdir() if (path / SESSION_NAME).is_file())
        schemas = {json_schema(path) for path in folder.glob("*.json")}
    except OSError as error:
        raise InputError(f"{folder}: cannot be read ({error.strerror}): check the path") from error
    if inside:
        names = [path.name for path in inside]
        raise InputError(sessions_in_folder(str(folder), names[:SHOWN_SESSIONS], len(names)))
    held = next((schema for schema in schemas if schema and _sort(schema) == "comparison"), None)
    if held is not None:
        raise InputError(other_schema(str(folder), held))
    raise InputError(nothing_in_folder(str(folder)))


def _of_file(place: Path, file: Path) -> ReadSource:
    schema = json_schema(file)
    if schema is not None and _sort(schema) != _sort(SCHEMA):
        raise InputError(other_schema(str(file), schema))
    return ReadSource(read_results(file), place, file)


def _of_session(place: Path, file: Path, analysed: _Analyst) -> ReadSource:
    """Read a session's results, and say what they are older than; or analyse it."""
    places = (file.parent / RESULTS_FOLDER / RESULTS_NAME, file.parent / RESULTS_NAME)
    results_file = next((one for one in places if one.is_file()), None)
    if results_file is None:
        session = read_session(file)
        return ReadSource(analysed(session), place, file, (analysed_now(str(place)),))
    source = _of_file(place, results_file)
    newer = _newer_than(results_file, file)
    return dataclasses.replace(
        source, notes=(changed_since(str(place), str(results_file), newer),) if newer else ()
    )


def _of_bundle(path: Path, analysed: _Analyst) -> ReadSource:
    """Read the results in a bundle, all of whose files are checked first; or analyse it."""
    with opened_bundle(path) as session:
        text = packed_results(path)
        if text is not None:
            return ReadSource(parse_results(text, where=f"{path}: results.json in it"), path, path)
        return ReadSource(analysed(session), path, path, (analysed_now(str(path)),))


def _newer_than(results_file: Path, session_file: Path) -> list[str]:
    """Return names of what was changed after the results were written, the session's file too."""
    try:
        session = read_session(session_file, takes_required=False, calibration_required=False)
    except InputError:  # the results stand by themselves
        return []
    files = [session_file]
    for entry in session.takes:
        files += [*entry.recordings, entry.stimulus]
    for calibration in [session.calibration, *map(session.calibration_of, session.takes)]:
        names = (calibration.source, calibration.mic_correction_file)
        files += [session.folder / name for name in names if name is not None]
    try:
        written_s = results_file.stat().st_mtime
        changed = [file for file in files if file.is_file() and file.stat().st_mtime > written_s]
    except OSError:
        return []
    return list(dict.fromkeys(file.name for file in changed))


def _sort(schema: str) -> str:
    """Return what a schema is of: "results" of "distsweep.results/2"."""
    return schema.rpartition("/")[0].rpartition(".")[2]


def _is_one_file(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except OSError:  # gone since it was read
        return one.resolve() == other.resolve()


def short_names(sources: Sequence[ReadSource]) -> list[str]:
    """Return a short name a source, all different: the loudspeaker's, else the file's or folder's.

    Two units of one model have one name: they are called by their folders then.
    """
    ways: list[Callable[[ReadSource], str]] = [
        lambda source: " ".join((source.results.device.name or "").split()),
        lambda source: _parts(source.file)[-1],
        lambda source: _parts(source.file)[-1] + _ending(source.file),
        lambda source: "/".join(_parts(source.file)[-2:]),
    ]
    for way in ways:
        names = [way(source) for source in sources]
        if all(names) and len({name.casefold() for name in names}) == len(names):
            return names
    return [f"{_parts(one.file)[-1]} ({number})" for number, one in enumerate(sources, start=1)]


def with_origins(comparison: Comparison, sources: Sequence[ReadSource]) -> Comparison:
    """Return a comparison that says where its first sources lie, and what is to be known of that.

    Sources behind those given, as a loudspeaker with filters, lie nowhere.
    """
    places = [str(source.place) for source in sources]
    known = [
        dataclasses.replace(one, place=place)
        for one, place in zip(comparison.sources, places, strict=False)
    ]
    notes = [note for source in sources for note in source.notes]
    return dataclasses.replace(
        comparison,
        sources=[*known, *comparison.sources[len(known) :]],
        conditions=[*notes, *comparison.conditions],
    )


def home_of(path: Path) -> Path:
    """Return the folder that a source belongs to: the session's, of results in it."""
    file = _file_for(path)
    home = file.absolute().parent
    in_results = file.name == RESULTS_NAME and home.name == RESULTS_FOLDER
    return home.parent if in_results else home


def comparison_folder(paths: Sequence[Path], filters: Path | None = None) -> Path:
    """Return a folder for a comparison: beside the first source, never inside its session.

    Parameters
    ----------
    paths : of the sources, as given.
    filters : the file of filters that the one source is compared with itself through.
    """
    in_folder = _file_for(paths[0]).name in (RESULTS_NAME, SESSION_NAME)
    beside = home_of(paths[0]).parent if in_folder else home_of(paths[0])
    names = [safe_name(_parts(path)[-1]) for path in paths]
    if filters is not None:
        return beside / f"{names[0]}-with-{safe_name(filters.stem)}"
    others = names[1] if len(names) == 2 else f"{len(names) - 1}-others"
    return beside / f"{names[0]}-and-{others}"


def _file_for(path: Path) -> Path:
    """Return the file that a path stands for: of a folder its results, there or not."""
    path = Path(os.path.abspath(path))  # noqa: PTH100 - links stay: beside what was given
    return path / RESULTS_NAME if path.is_dir() else path


def _ending(file: Path) -> str:
    """Return the ending of a file that has a name of its own: a bundle's, beside its session."""
    return "" if file.name in (RESULTS_NAME, SESSION_NAME) else file.suffix


def _parts(path: Path) -> list[str]:
    """Return the parts of a path that tell a source from others, the telling one last."""
    file = _file_for(path)
    if file.name not in (RESULTS_NAME, SESSION_NAME):
        return [*file.parent.parts, file.stem]
    *above, last = home_of(file).parts
    return [*above, last.removesuffix(f"-{RESULTS_FOLDER}") or last]
