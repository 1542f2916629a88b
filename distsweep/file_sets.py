"""Files that belong together: all of a set are replaced together, and nothing else is touched.

A list beside them, ``.written.json``, says which files of a folder are of the set; others are the
user's and stay. A set is made in a scratch folder first. Only when it is whole is the former one
taken away and the new one moved in, so that at no moment files of two sets lie side by side, even
if the process is killed.
"""

from __future__ import annotations

import json
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from distsweep.errors import InputError

LIST_NAME = ".written.json"
SCHEMA = "distsweep.written/1"

SCRATCH_PREFIX = ".writing-"
SCRATCH_IS_LEFT_S = 3600.0
"""A scratch folder this old is what a killed process has left (chosen: no set takes an hour)."""

_ELSEWHERE = "; choose another place"


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
def file_set(folder: Path, *, head: str, unlisted: Callable[[Path], set[str]]) -> Iterator[FileSet]:
    """Give a scratch folder whose files replace the set in ``folder`` once the block ends well.

    Parameters
    ----------
    head : the file of the set that is replaced in one step: it is never missing in between.
    unlisted : returns the files of the set, relative to the folder, where no list was kept.

    Raises
    ------
    InputError
        The folder cannot be made or written; what stood there then still does.
    """
    made = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _remove_left(folder)
        scratch = Path(tempfile.mkdtemp(prefix=SCRATCH_PREFIX, dir=folder))
    except OSError as error:
        raise InputError(f"{folder}: cannot be written ({error.strerror}){_ELSEWHERE}") from error
    made_set = FileSet(scratch)
    try:
        yield made_set
        new = {p.relative_to(scratch).as_posix() for p in scratch.rglob("*") if p.is_file()}
        listed = _listed(folder)
        old = unlisted(folder) if listed is None else listed
        old = {name for name in old | new if (folder / name).is_file()}
        _write_list(folder, scratch, old | new)
        _swap(folder, scratch, old=old, new=new, head=head)
        _write_list(folder, scratch, new)
        made_set.written = [folder / name for name in sorted(new)]
        made_set.removed = [folder / name for name in sorted(old - new)]
    except OSError as error:
        reason = error.strerror or error
        raise InputError(f"{folder}: cannot be written ({reason}){_ELSEWHERE}") from error
    except InputError as error:  # names the scratch file, which the user will not find
        raise InputError(str(error).replace(str(scratch), str(folder))) from error
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
        if made:
            with suppress(OSError):
                folder.rmdir()  # only if nothing was written


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


def _remove_left(folder: Path) -> None:
    """Remove what killed processes have left; a set that is being made now is younger."""
    for path in folder.glob(f"{SCRATCH_PREFIX}*"):
        with suppress(OSError):
            if time.time() - path.stat().st_mtime > SCRATCH_IS_LEFT_S:
                shutil.rmtree(path, ignore_errors=True)


def _write_list(folder: Path, scratch: Path, names: set[str]) -> None:
    text = json.dumps({"schema": SCHEMA, "files": sorted(names)}, indent=1, ensure_ascii=False)
    (scratch / LIST_NAME).write_text(text + "\n", encoding="utf-8")
    (scratch / LIST_NAME).replace(folder / LIST_NAME)


def _listed(folder: Path) -> set[str] | None:
    """Return the files that the list names, if it can be read; none of them lies elsewhere."""
    try:
        names = json.loads((folder / LIST_NAME).read_text(encoding="utf-8"))["files"]
        paths = [PurePosixPath(name) for name in names]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None
    return {str(path) for path in paths if path.parts and not path.is_absolute()
            and ".." not in path.parts}  # fmt: skip
