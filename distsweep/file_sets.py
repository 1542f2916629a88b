"""Files that belong together: all of a set are replaced together, and nothing else is touched.

A list beside them, ``.written.json``, says which files of a folder are of the set; others are the
user's and stay. A set is made in a scratch folder first. Only when it is whole is the former one
taken away and the new one moved in, so that at no moment files of two sets lie side by side, even
if the process is killed. Of two processes that make a set for one folder, one moves its set in
after the other, and the later set stays; on a file system that knows no locks nothing keeps them
apart.
"""

from __future__ import annotations

import json
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from distsweep.errors import InputError
from distsweep.file_locks import open_locked
from distsweep.whole_files import has_content, try_folder, unusable

LIST_NAME = ".written.json"
LOCK_NAME = ".written-lock"
SCHEMA = "distsweep.written/1"

ANALYSIS = "analysis"
"""Kind of the sets whose list names none: only analyses left sets when lists were first kept."""

SCRATCH_PREFIX = ".writing-"
SCRATCH_IS_LEFT_S = 3600.0
"""A scratch folder this old is what a killed process has left (chosen: no set takes an hour)."""

SWAP_PATIENCE_S = 10.0
"""How long another process's swap is waited for (chosen: one takes milliseconds)."""


@dataclass
class FileSet:
    """A set that is being made in ``scratch``.

    Afterwards ``written`` holds its files and ``removed`` those of the former set that it has no
    file of the same name for, both with their full paths.
    """

    scratch: Path
    written: list[Path] = field(default_factory=list)
    removed: list[Path] = field(default_factory=list)


@contextmanager
def file_set(
    folder: Path, *, head: str, unlisted: Callable[[Path], set[str]], kind: str = ANALYSIS
) -> Iterator[FileSet]:
    """Give a scratch folder whose files replace the set in ``folder`` once the block ends well.

    Parameters
    ----------
    head : the file of the set that is replaced in one step: it is never missing in between.
    unlisted : returns the files of the set, relative to the folder, where no list was kept.
    kind : what the set is the work of, a singular noun; sets of another kind are not replaced.

    Raises
    ------
    InputError
        The folder cannot be made or written, it holds a set of another kind, a file that is not
        of a set stands where one of this set belongs, or another process is at it; what stood
        there then still does.
    """
    made = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _remove_leftovers(folder)
        scratch = Path(tempfile.mkdtemp(prefix=SCRATCH_PREFIX, dir=folder))
    except OSError as error:
        raise unusable(folder, error) from error
    made_set = FileSet(scratch)
    try:
        yield made_set
        new = {p.relative_to(scratch).as_posix() for p in scratch.rglob("*") if p.is_file()}
        with _one_at_a_time(folder, kind):
            check_place(folder, new, unlisted=unlisted, kind=kind)
            listed = _listed(folder)
            old = unlisted(folder) if listed is None else listed
            old = {name for name in old | new if (folder / name).is_file()}
            _write_list(folder, scratch, old | new, kind)
            _swap(folder, scratch, old=old, new=new, head=head)
            _write_list(folder, scratch, new, kind)
        made_set.written = [folder / name for name in sorted(new)]
        made_set.removed = [folder / name for name in sorted(old - new)]
    except OSError as error:
        raise unusable(folder, error) from error
    except InputError as error:  # names the scratch file, which the user will not find
        raise InputError(str(error).replace(str(scratch), str(folder))) from error
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
        if made:
            with suppress(OSError):
                folder.rmdir()  # only if nothing was written


def check_place(
    folder: Path,
    names: set[str],
    *,
    unlisted: Callable[[Path], set[str]],
    kind: str = ANALYSIS,
) -> None:
    """Refuse a folder that a set with files of these names cannot be written into.

    Raises
    ------
    InputError
        The folder cannot be written, it holds a set of another kind, or a file that is of no set
        has one of the names.
    """
    try_folder(folder)
    there = _kind_there(folder)
    if there not in (None, kind):
        raise InputError(
            f"{folder}: holds what {_with_article(there)} has left, and this is"
            f" {_with_article(kind)}: choose another folder"
        )
    foreign = names - (_listed(folder) or set())
    foreign = {name for name in foreign if has_content(folder / name)}
    if foreign:  # only then: a large file is read to know what an unlisted set holds
        foreign -= unlisted(folder)
    for name in sorted(foreign):
        raise InputError(
            f"{folder / name}: is not of an earlier {kind}, and would be replaced: move it,"
            " or choose another place"
        )


@contextmanager
def _one_at_a_time(folder: Path, kind: str) -> Iterator[None]:
    """Keep other processes from exchanging the set; where there are no locks, do nothing."""
    path = folder / LOCK_NAME
    until_s = time.monotonic() + SWAP_PATIENCE_S
    handle = None
    while handle is None:
        try:
            handle = open_locked(path)
        except BlockingIOError as error:
            if time.monotonic() >= until_s:
                raise InputError(
                    f"{folder}: another {kind} is writing there: wait until it has ended, or"
                    " choose another place"
                ) from error
            time.sleep(0.02)
        except OSError:
            break
    try:
        yield
    finally:
        if handle is not None:
            with suppress(OSError):  # Windows removes nothing that is open
                path.unlink(missing_ok=True)
            os.close(handle)


def _swap(folder: Path, scratch: Path, *, old: set[str], new: set[str], head: str) -> None:
    """Take the old set away and move the new one in; undo all of it if a step fails."""
    former = Path(tempfile.mkdtemp(prefix=SCRATCH_PREFIX, dir=folder))
    done: list[tuple[Path, Path]] = []

    def move(source: Path, target: Path) -> None:
        target.parent.mkdir(parents=True, exist_ok=True)
        done.append((source, target))
        source.replace(target)

    try:
        for name in sorted(old - {head}):
            move(folder / name, former / name)
        if head in old and head in new:
            shutil.copy2(folder / head, former / head)
            done.append((folder / head, former / head))
        elif head in old:
            move(folder / head, former / head)
        for name in sorted(new, key=lambda name: (name != head, name)):
            move(scratch / name, folder / name)
    except BaseException:
        for source, target in reversed(done):
            with suppress(OSError):
                target.replace(source)
        _remove_empty(former, old)
        with suppress(OSError):
            former.rmdir()  # what could not be put back stays in it
        _remove_empty(folder, new)
        raise
    shutil.rmtree(former, ignore_errors=True)
    _remove_empty(folder, old)


def _remove_empty(folder: Path, names: set[str]) -> None:
    """Remove folders that the sets' files stood in, where nothing is left in them."""
    folders = {parent for name in names for parent in PurePosixPath(name).parents}
    for inner in sorted(folders, key=lambda inner: -len(inner.parts)):
        if inner.parts:
            with suppress(OSError):  # not empty: the user's, or the new set's
                (folder / inner).rmdir()


def _remove_leftovers(folder: Path) -> None:
    """Remove what killed processes have left; a set that is being made now is younger."""
    for path in folder.glob(f"{SCRATCH_PREFIX}*"):
        with suppress(OSError):
            if time.time() - path.stat().st_mtime > SCRATCH_IS_LEFT_S:
                shutil.rmtree(path, ignore_errors=True)


def _write_list(folder: Path, scratch: Path, names: set[str], kind: str) -> None:
    data = {"schema": SCHEMA, "kind": kind, "files": sorted(names)}
    text = json.dumps(data, indent=1, ensure_ascii=False)
    (scratch / LIST_NAME).write_text(text + "\n", encoding="utf-8")
    (scratch / LIST_NAME).replace(folder / LIST_NAME)


def _listed(folder: Path) -> set[str] | None:
    """Return the files that the list names, none of which lies elsewhere; None without a list.

    Raises
    ------
    InputError
        A file of the list's name is something else.
    """
    found = _read_list(folder)
    return None if found is None else found[1]


def _kind_there(folder: Path) -> str | None:
    """Return the kind of the set that lies in a folder; None where none of its files does."""
    kind, names = _read_list(folder) or (ANALYSIS, set())
    return kind if any((folder / name).is_file() for name in names) else None


def _read_list(folder: Path) -> tuple[str, set[str]] | None:
    """Return kind and files of the set in a folder, by its list; None without a list."""
    path = folder / LIST_NAME
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        if data["schema"] != SCHEMA:
            raise ValueError
        kind = str(data.get("kind", ANALYSIS))
        paths = [PurePosixPath(name) for name in data["files"]]
    except FileNotFoundError:
        return None
    except OSError as error:
        raise unusable(path, error, cannot_be="read") from error
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise InputError(
            f"{path}: is no list that distsweep wrote: move it, or choose another place"
        ) from error
    return kind, {str(path) for path in paths if path.parts and not path.is_absolute()
                  and ".." not in path.parts}  # fmt: skip


def _with_article(kind: str) -> str:
    return f"{'an' if kind[:1] in 'aeiou' else 'a'} {kind}"
