"""Reading a bundle: the one file with a session, its recordings and its results in it.

It is a ZIP file that `distsweep.takes.bundle_packing` writes. Nothing in it is believed: names,
sizes and checksums are those of its manifest or it is refused, and what its session names must lie
in it.
"""

from __future__ import annotations

import dataclasses
import hashlib
import lzma
import tempfile
import tomllib
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from distsweep.errors import InputError
from distsweep.takes.bundle_manifest import (
    MANIFEST,
    OF_SAMPLES,
    RESULTS_NAME,
    SESSION,
    BundledFile,
    Manifest,
    parse_manifest,
)
from distsweep.takes.session import Session, read_session
from distsweep.takes.session_paths import session_text, with_paths
from distsweep.takes.sound_file import open_sound, sample_sha256

LARGEST_MANIFEST = 2**24
"""Bytes of the longest manifest that is read (chosen: sixty thousand files of 250 bytes each)."""

LARGEST_RATIO, ALLOWANCE = 50, 2**24
"""What a bundle unpacks to is at most so many times its own length, and so many bytes (chosen:
recordings do not pack; `analyse --bundle` of the demonstration packed its texts to a quarter, the
emptiest table to an eleventh)."""

LINK, KINDS = 0o120000, 0o170000
"""Of the upper half of an entry's external attributes, which is Unix's ``st_mode``: a link's kind,
and the bits that hold the kind (POSIX, <sys/stat.h>)."""

DAMAGE = (
    zipfile.BadZipFile, zlib.error, lzma.LZMAError, EOFError, NotImplementedError, RuntimeError,
)  # fmt: skip
"""What the standard library raises of a ZIP file that is cut off, damaged or encrypted."""

BLOCK = 2**20


@contextmanager
def opened_session(path: str | Path) -> Iterator[Session]:
    """Give the session of a folder, of a ``session.toml``, or of a bundle while it is unpacked.

    Raises
    ------
    InputError
        As `read_session` and `opened_bundle`; and whatever the block raises, where a file in a
        bundle is named by its place there.
    """
    path = Path(path)
    if not looks_like_bundle(path):
        yield read_session(path)
        return
    with opened_bundle(path) as session:
        yield session


def looks_like_bundle(path: Path) -> bool:
    """Tell whether a file is a ZIP file, or is called one."""
    try:
        if not path.is_file():  # a folder, or a pipe, which is not to be waited for
            return False
        with path.open("rb") as file:
            return path.suffix.lower() == ".zip" or file.read(4) in (b"PK\x03\x04", b"PK\x05\x06")
    except OSError:
        return False


def is_bundle(path: Path) -> bool:
    """Tell whether a file is a bundle: a ZIP file with a manifest of ours."""
    try:
        with zipfile.ZipFile(path) as archive:
            _manifest(archive)
    except (*DAMAGE, OSError, ValueError):
        return False
    return True


@contextmanager
def opened_bundle(path: Path) -> Iterator[Session]:
    """Unpack a bundle into a folder that lasts as long as the block, and give its session.

    Raises
    ------
    InputError
        It is no bundle, is damaged, or a file in it is not what the manifest says. Of errors in the
        block those that name an unpacked file name the bundle instead.
    """
    with tempfile.TemporaryDirectory(prefix="distsweep-bundle-") as scratch:
        folder = Path(scratch) / "session"
        try:
            manifest = _unpack(path, folder)
            session = read_session(folder / SESSION)
            yield dataclasses.replace(session, every_run=manifest.every_run)
        except InputError as error:
            if scratch not in str(error):
                raise
            raise type(error)(str(error).replace(str(folder), str(path))) from error


def packed_results(path: Path) -> str | None:
    """Return the text of the ``results.json`` in a bundle that was opened before; None without."""
    try:
        with zipfile.ZipFile(path) as archive:
            return archive.read(RESULTS_NAME).decode("utf-8")
    except (*DAMAGE, OSError, KeyError, UnicodeDecodeError):
        return None


def _unpack(path: Path, folder: Path) -> Manifest:
    """Unpack and check what an analysis reads, and check the rest."""
    try:
        with zipfile.ZipFile(path) as archive:
            manifest = _manifest(archive)
            _check_names(path, archive, manifest)
            _check_sizes(path, manifest)
            for file in manifest.files:
                _take_out(path, archive, file, folder)
        _write_session(path, manifest, folder)
    except OSError as error:
        reason = error.strerror or error
        raise InputError(
            f"{path}: bundle cannot be unpacked ({reason}): make room, or check the path"
        ) from error
    except DAMAGE as error:
        raise InputError(
            f"{path}: bundle is damaged or cut off ({error}): copy it again"
        ) from error
    except ValueError as error:
        raise InputError(
            f"{path}: is no bundle of distsweep ({error}): give a session, or a file that"
            " analyse --bundle has written"
        ) from error
    return manifest


def _manifest(archive: zipfile.ZipFile) -> Manifest:
    """Read the manifest.

    Raises
    ------
    ValueError
        There is none, or it is damaged.
    """
    try:
        info = archive.getinfo(MANIFEST)
    except KeyError as error:
        raise ValueError(f"it holds no {MANIFEST}") from error
    with archive.open(info) as file:
        text = file.read(LARGEST_MANIFEST + 1)
    if len(text) > LARGEST_MANIFEST:
        raise ValueError(f"its {MANIFEST} is too long")
    manifest = parse_manifest(text)
    names = [info.filename for info in archive.infolist()]
    if len(set(names)) < len(names):
        raise ValueError("two files in it have one name")
    return manifest


def _check_names(path: Path, archive: zipfile.ZipFile, manifest: Manifest) -> None:
    """Refuse files that the manifest does not name: their sizes and contents are not checked.

    Raises
    ------
    InputError
        There is one.
    """
    named = {MANIFEST, *(file.name for file in manifest.files)}
    for name in archive.namelist():
        if name not in named and not name.endswith("/"):  # a folder holds nothing by itself
            raise InputError(
                f"{path}: {name!r:.80} in it is not in its {MANIFEST}, and was added since the"
                " bundle was written: ask for another copy"
            )


def _check_sizes(path: Path, manifest: Manifest) -> None:
    """Refuse what would fill a disk.

    Raises
    ------
    InputError
        It unpacks to more than a bundle can.
    """
    total = sum(file.size for file in manifest.files)
    if total > LARGEST_RATIO * path.stat().st_size + ALLOWANCE:
        raise InputError(
            f"{path}: would unpack to {total / 1e9:.3g} GB, more than a bundle of its length can"
            " hold: ask for another copy"
        )


def _take_out(path: Path, archive: zipfile.ZipFile, file: BundledFile, folder: Path) -> None:
    """Check one file, and unpack it if an analysis reads it.

    Raises
    ------
    InputError
        It is missing, or is not what the manifest says.
    """
    try:
        info = archive.getinfo(file.name)
    except KeyError as error:
        raise InputError(f"{path}: {file.name} is missing in it: ask for another copy") from error
    if (info.external_attr >> 16) & KINDS == LINK:
        raise _changed(path, file, "is a link")
    if info.file_size != file.size:
        raise _changed(path, file, "has another length")
    target = folder / file.used_as if file.used_as else None
    checksum = hashlib.sha256()
    with archive.open(info) as source:
        if target is None:
            _copy(source.read, checksum.update, file.size)
        else:
            target.parent.mkdir(parents=True, exist_ok=True)
            with target.open("xb") as copy:

                def keep(block: bytes) -> None:
                    copy.write(block)
                    checksum.update(block)

                _copy(source.read, keep, file.size)
    if file.of == OF_SAMPLES and target is not None:
        _check_samples(path, file, target)
    elif checksum.hexdigest() != file.sha256:
        raise _changed(path, file, "was changed")


def _copy(read: Callable[[int], bytes], write: Callable[[bytes], object], size: int) -> None:
    """Copy at most so many bytes, whatever the file's own header says of its length."""
    while size > 0 and (block := read(min(BLOCK, size))):
        write(block)
        size -= len(block)


def _check_samples(path: Path, file: BundledFile, target: Path) -> None:
    """Refuse a recording whose samples, rate or channels are not those that were packed."""
    try:
        sound = open_sound(target)
        same = (sound.rate_hz, sound.channels) == (file.rate_hz, file.channels)
        same = same and sample_sha256(target) == file.sha256
    except InputError as error:
        raise _changed(path, file, "was changed, and is no sound any more") from error
    if not same:
        raise _changed(path, file, "was changed")


def _changed(path: Path, file: BundledFile, what: str) -> InputError:
    return InputError(
        f"{path}: {file.name} {what} since the bundle was written (its checksum is another): ask"
        " for another copy"
    )


def _write_session(path: Path, manifest: Manifest, folder: Path) -> None:
    """Let the session name its files as they were called before they were packed.

    Raises
    ------
    InputError
        There is none, it cannot be read, or it names a file that is not in the bundle.
    """
    used_as = {file.name: file.used_as for file in manifest.files if file.used_as}
    if SESSION not in used_as.values():
        raise InputError(f"{path}: holds no {SESSION}: ask for another copy")
    file = folder / SESSION

    def renamed(_kind: str, name: str) -> str:
        if not isinstance(name, str) or name not in used_as:
            raise InputError(
                f"{path}: {SESSION} in it names {name!r:.80}, which is not in it: ask for"
                " another copy"
            )
        return used_as[name]

    try:
        data = tomllib.loads(file.read_text(encoding="utf-8"))
        text = session_text(with_paths(data, renamed))
    except (KeyError, TypeError, AttributeError, UnicodeDecodeError, tomllib.TOMLDecodeError,
            RecursionError) as error:  # fmt: skip
        raise InputError(
            f"{path}: {SESSION} in it cannot be read ({error}): ask for another copy"
        ) from error
    file.write_text(text, encoding="utf-8")
