"""Files that are whole or absent: written beside their place, then renamed into it."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from distsweep.errors import InputError


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
        reason = getattr(error, "strerror", None) or error
        raise InputError(f"{path}: cannot be written ({reason}); choose another place") from error
    finally:
        if scratch is not None:
            scratch.unlink(missing_ok=True)


def write_whole_text(path: Path, text: str) -> None:
    """Write a text file whole, or not at all (UTF-8, newlines as given)."""
    write_whole(path, lambda scratch: scratch.write_bytes(text.encode("utf-8")))


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
        raise InputError(
            f"{path}: cannot be made ({error.strerror}); choose another place"
        ) from error


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
        raise InputError(
            f"{path}: cannot be made ({error.strerror}); choose another place"
        ) from error
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
        raise InputError(
            f"{path}: cannot be written ({error.strerror}); choose another place"
        ) from error
    finally:
        shutil.rmtree(scratch, ignore_errors=True)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
