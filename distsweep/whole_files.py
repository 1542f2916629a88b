"""Files that are whole or absent: written beside their place, then renamed into it."""

from __future__ import annotations

import json
import os
import shutil
import stat
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from distsweep.errors import InputError


def unusable(path: Path, error: Exception, *, cannot_be: str = "written") -> InputError:
    """Return the error that says of a place what cannot be done there, and why."""
    reason = getattr(error, "strerror", None) or error
    return InputError(f"{path}: cannot be {cannot_be} ({reason}); choose another place")


def write_whole(path: Path, write: Callable[[Path], object]) -> None:
    """Let ``write`` fill a file beside ``path``, then rename it into place.

    Raises
    ------
    InputError
        The folder cannot be made or written, or the disk is full; ``path`` is then untouched.
    """
    scratch: Path | None = None
    try:
        if path.exists() and not path.is_file():
            write(path)  # a device or a pipe is written to; renaming onto it would destroy it
            return
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(
            prefix=f".{path.stem}-", suffix=path.suffix, dir=path.parent
        )
        os.close(handle)
        scratch = Path(name)
        write(scratch)
        scratch.chmod(0o666 & ~_umask())
        scratch.replace(path)
    except (OSError, RuntimeError) as error:  # soundfile's errors are RuntimeErrors
        if isinstance(error, NotImplementedError | RecursionError):
            raise
        raise unusable(path, error) from error
    finally:
        if scratch is not None:
            scratch.unlink(missing_ok=True)


def write_whole_text(path: Path, text: str) -> None:
    """Write a text file whole, or not at all (UTF-8, newlines as given)."""
    write_whole(path, lambda scratch: scratch.write_bytes(text.encode("utf-8")))


def try_folder(path: Path, *, wanted: Path | None = None) -> None:
    """See whether a folder can be written, or made, and leave everything as it is.

    Parameters
    ----------
    wanted : the file in it that is to be named where it cannot; without one, the folder.

    Raises
    ------
    InputError
        It cannot.
    """
    places = (place for place in (path, *path.parents) if os.path.lexists(place))
    place = next(places, path)
    try:
        Path(tempfile.mkdtemp(prefix=".writing-", dir=place)).rmdir()
    except OSError as error:
        raise unusable(wanted or path, error) from error


def check_json_place(path: Path, *, schema: str) -> None:
    """Refuse to replace a file that is not JSON of our own, and of the same sort.

    An empty file is nothing to lose; a device or a pipe is written to and not replaced.

    Parameters
    ----------
    schema : of what is to be written, such as "distsweep.results/2"; any version may be replaced.

    Raises
    ------
    InputError
        Something else stands there, or the folder cannot be written.
    """
    sort = schema.rpartition("/")[0]
    with suppress(OSError):  # not there, or closed to this user, which is found next
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            raise InputError(f"{path}: is a folder: name a file")
        if not stat.S_ISREG(mode):
            return
    try_folder(path.parent, wanted=path)
    if not has_content(path):
        return
    if str(json_schema(path)).rpartition("/")[0] != sort:
        raise InputError(
            f"{path}: is there, and is no JSON file of {sort}: it was left as it is; choose"
            " another name"
        )


def has_content(path: Path) -> bool:
    """Tell whether there is a file that is not empty; a device or a pipe is none.

    Raises
    ------
    InputError
        It cannot be looked at: a folder on the way is closed to this user.
    """
    try:
        return path.is_file() and path.stat().st_size > 0
    except OSError as error:
        raise unusable(path, error, cannot_be="read") from error


def json_schema(path: Path) -> str | None:
    """Return the schema that a JSON file states; None for any other file."""
    try:
        if not begins_as_json(path):  # a recording may be too long to be read for this
            return None
        return str(json.loads(path.read_text(encoding="utf-8"))["schema"])
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None


def begins_as_json(path: Path) -> bool:
    """Tell whether a file may be meant as a table in JSON, damaged or not."""
    try:
        with path.open("rb") as file:
            return file.read(64).lstrip().startswith(b"{")
    except OSError:
        return False


def make_folder(path: Path) -> None:
    """Make a folder, and those it lies in, where they are missing.

    Raises
    ------
    InputError
        It cannot be made.
    """
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise unusable(path, error, cannot_be="made") from error


@contextmanager
def whole_folder(path: Path) -> Iterator[Path]:
    """Give a scratch folder that takes the place of ``path`` once the block ends well.

    What stood at ``path`` is replaced only then, and stays if anything fails.

    Raises
    ------
    InputError
        The folder cannot be made or moved.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        scratch = Path(tempfile.mkdtemp(prefix=f".{path.name}-", dir=path.parent))
    except OSError as error:
        raise unusable(path, error, cannot_be="made") from error
    try:
        yield scratch
        scratch.chmod(0o777 & ~_umask())
        if path.exists():
            former = Path(tempfile.mkdtemp(prefix=f".{path.name}-", dir=path.parent))
            path.replace(former / "former")
            scratch.replace(path)
            shutil.rmtree(former)
        else:
            scratch.replace(path)
    except OSError as error:
        raise unusable(path, error) from error
    finally:
        shutil.rmtree(scratch, ignore_errors=True)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
