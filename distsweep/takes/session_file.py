"""Writing ``session.toml``: started once, then only added to, so that remarks stay."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from distsweep.errors import InputError
from distsweep.whole_files import write_whole_text

FILE_NAME = "session.toml"


def toml_value(value: Any) -> str:
    """Write one value as TOML.

    Raises
    ------
    TypeError
        TOML has no such value, or a session needs none.
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, Sequence):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    raise TypeError(f"{value!r} cannot stand in a session.toml")


def toml_table(header: str, values: Mapping[str, Any]) -> str:
    """Write a table under a header such as ``[device]``; keys without a value are left out."""
    lines = [f"{key} = {toml_value(value)}" for key, value in values.items() if value is not None]
    return "\n".join([header, *lines]) + "\n"


def start_session(folder: Path, tables: Mapping[str, Mapping[str, Any]]) -> Path:
    """Write a ``session.toml`` where there is none; one that is there is left as it is.

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    path = folder / FILE_NAME
    if not path.exists():
        parts = [
            toml_table(f"[{name}]", values)
            for name, values in tables.items()
            if any(value is not None for value in values.values())
        ]
        write_whole_text(path, "\n".join(parts) or "# A session of distsweep.\n")
    return path


def add_table(path: Path, header: str, values: Mapping[str, Any]) -> None:
    """Add a table at the end of a ``session.toml``; everything before it stays as it was.

    Raises
    ------
    InputError
        The file cannot be read or written, or would no longer be TOML: as with
        ``takes = []`` written inline.
    """
    write_whole_text(path, extended_text(path, header, values))


def extended_text(path: Path, header: str, values: Mapping[str, Any]) -> str:
    """Return the text of a ``session.toml`` with a table added; nothing is written.

    Raises
    ------
    InputError
        See ``add_table``.
    """
    try:
        text = path.read_text(encoding="utf-8-sig") if path.exists() else ""
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read ({error})") from error
    if text and not text.endswith("\n"):
        text += "\n"
    added = toml_table(header, values)
    extended = f"{text}\n{added}" if text else added
    try:
        tomllib.loads(extended)
    except tomllib.TOMLDecodeError as error:
        raise InputError(
            f"{path}: {header} cannot be added ({error}): write takes as [[takes]] tables, and"
            " each other table once"
        ) from error
    return extended


def _quoted(text: str) -> str:
    named = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\t": "\\t", "\r": "\\r"}
    quoted = "".join(
        named.get(c) or (f"\\u{ord(c):04x}" if ord(c) < 32 or ord(c) == 127 else c) for c in text
    )
    return f'"{quoted}"'
