"""What a bundle says of itself: the files in it, their sizes and their checksums."""

from __future__ import annotations

import dataclasses
import json
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any

SCHEMA = "distsweep.bundle/1"
MANIFEST, SESSION, SESSION_AS_GIVEN = "manifest.json", "session.toml", "session-as-given.toml"

RESULTS = "results"
RESULTS_NAME = f"{RESULTS}/results.json"

OF_BYTES, OF_SAMPLES = "bytes", "samples"

UNSAFE = re.compile(r'[\x00-\x1f\x7f\\:*?"<>|\ud800-\udfff]')
"""Characters that some file system takes for no part of a name (Windows's are the most)."""


@dataclass(frozen=True)
class BundledFile:
    """A file of a bundle.

    Attributes
    ----------
    name : where it stands in the ZIP file, folders divided by "/".
    size : its length in bytes.
    sha256 : its checksum, ``of`` its "bytes", or of its "samples".
    used_as : its name where the session is analysed, which a recording kept as FLAC had before;
        empty for what an analysis does not read.
    rate_hz, channels : of a recording whose checksum is that of its samples; 0 otherwise.
    """

    name: str
    size: int
    sha256: str
    of: str = OF_BYTES
    used_as: str = ""
    rate_hz: int = 0
    channels: int = 0


@dataclass(frozen=True)
class Manifest:
    """All of a bundle's files but the manifest itself.

    ``every_run``: every run of the stimulus in the recording was analysed, as of a recording that
    was given without a session.
    """

    version: str
    created: str
    files: tuple[BundledFile, ...]
    every_run: bool = False

    def as_json(self) -> str:
        """Return the manifest's text."""
        data = {"schema": SCHEMA, **dataclasses.asdict(self)}
        return json.dumps(data, indent=1, ensure_ascii=False) + "\n"


def parse_manifest(text: bytes) -> Manifest:
    """Read a manifest.

    Raises
    ------
    ValueError
        It is not JSON of this schema, or a name, number or checksum in it cannot be one.
    """
    try:
        data: Any = json.loads(text.decode("utf-8"))
        if data["schema"] != SCHEMA:
            raise ValueError(f"its schema is {data['schema']!r:.60}, this version reads {SCHEMA!r}")
        files = tuple(BundledFile(**item) for item in data["files"])
        manifest = Manifest(data["version"], data["created"], files, data["every_run"])
    except (KeyError, TypeError, RecursionError) as error:
        raise ValueError(f"its {MANIFEST} is damaged") from error
    for file in files:
        _check(file)
    used = [file.used_as for file in files if file.used_as]
    for names in ([file.name for file in files], used):
        if len({name.casefold() for name in names}) < len(names):
            raise ValueError("two files in it have one name")
    if type(manifest.every_run) is not bool:
        raise ValueError("every_run is neither true nor false")
    return manifest


def _check(file: BundledFile) -> None:
    """Refuse what is no entry of a manifest.

    Raises
    ------
    ValueError
        The message says what.
    """
    texts = file.name, file.sha256, file.of, file.used_as
    numbers = file.size, file.rate_hz, file.channels
    if not all(isinstance(text, str) for text in texts):
        raise ValueError("a name or a checksum is no text")
    if not all(type(number) is int and number >= 0 for number in numbers):
        raise ValueError(f"a number of {file.name!r:.80} is none")
    for name in (file.name, file.used_as or "-"):
        if not is_safe(name):
            raise ValueError(f"{name!r:.80} is no name inside a folder")
    if not re.fullmatch("[0-9a-f]{64}", file.sha256) or file.of not in (OF_BYTES, OF_SAMPLES):
        raise ValueError(f"the checksum of {file.name!r:.80} is none")


def is_safe(name: str) -> bool:
    """Tell whether a name stays inside the folder it is unpacked into, on every system."""
    path = PurePosixPath(name)
    parts = name.split("/")
    return not (
        UNSAFE.search(name) or path.is_absolute() or any(part in ("", ".", "..") for part in parts)
    )


def made_safe(parts: Iterable[str]) -> str:
    """Return a name that every file system takes, from a path's parts."""
    safe = (UNSAFE.sub("_", part).rstrip(". ") or "_" for part in parts)
    return "/".join(safe)


def free_name(name: str, taken: Iterable[str]) -> str:
    """Return a name, numbered before its ending where it is taken, capitals or not."""
    others = {one.casefold() for one in taken}
    path, count = PurePosixPath(name), 1
    while name.casefold() in others:
        count += 1
        name = str(path.with_name(f"{path.stem}-{count}{path.suffix}"))
    return name
