"""Writing ``session.toml``: started once, then only added to, so that remarks stay."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

from distsweep.errors import InputError
from distsweep.takes.session import parse_session, read_session, same_device
from distsweep.toml_input import read_toml
from distsweep.whole_files import write_whole_text

FILE_NAME = "session.toml"

TAKES_HEADER = re.compile(r"""\s*\[\[\s*(takes|"takes"|'takes')\s*\]\]""")
"""The line that begins a take's table."""


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
    if isinstance(value, date):
        return value.isoformat()
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
        The folder cannot be written, or a value cannot stand in a session.
    """
    path = folder / FILE_NAME
    if not path.exists():
        parts = [
            toml_table(f"[{name}]", values)
            for name, values in tables.items()
            if any(value is not None for value in values.values())
        ]
        text = "\n".join(parts) or "# A session of distsweep.\n"
        checked_session(path, text)
        write_whole_text(path, text)
    return path


def complete_session(folder: Path, tables: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """Add tables that a ``session.toml`` does not have; those that are there stay as they are.

    Returns
    -------
    Names of tables that are there already, and were to be given values.

    Raises
    ------
    InputError
        The file cannot be read or written.
    """
    path = folder / FILE_NAME
    start_session(folder, tables)
    present = read_toml(path)
    kept = []
    for name, values in tables.items():
        given = {key: value for key, value in values.items() if value is not None}
        if not given:
            continue
        if name not in present:
            add_table(path, f"[{name}]", given)
        elif any(present[name].get(key) != value for key, value in given.items()):
            kept.append(name)
    return kept


def check_device(folder: Path, name: str | None) -> None:
    """Refuse to add another loudspeaker to a session; None, and a session without a name, pass.

    Raises
    ------
    InputError
        It is a session of another device, or its file cannot be read.
    """
    path = folder / FILE_NAME
    if name is None or not path.exists():
        return
    own = read_session(path, takes_required=False, calibration_required=False).device.name
    if own is not None and not same_device(own, name):
        raise InputError(
            f"{path}: is a session of {own!r}, not of {name!r}: a session is one loudspeaker, so"
            " give another folder for this one"
        )


def add_table(path: Path, header: str, values: Mapping[str, Any]) -> None:
    """Add a table at the end of a ``session.toml``; everything before it stays as it was.

    Raises
    ------
    InputError
        The file cannot be read or written, or could no longer be read as a session: as with
        ``takes = []`` written inline, or an empty position.
    """
    write_whole_text(path, extended_text(path, header, values))


def extended_text(path: Path, header: str, values: Mapping[str, Any]) -> str:
    """Return the text of a ``session.toml`` with a table added; nothing is written.

    Raises
    ------
    InputError
        See ``add_table``.
    """
    text = session_text(path) if path.exists() else ""
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
    checked_session(path, extended)
    return extended


def pin_takes(path: Path, calibration: str) -> int:
    """Write a calibration into each take of a ``session.toml`` that names none of its own.

    Everything else, remarks included, stays as it was.

    Returns
    -------
    To how many takes it was added.

    Raises
    ------
    InputError
        The file cannot be read or written, or its takes are not [[takes]] tables; nothing was
        changed.
    """
    text = session_text(path)
    data = read_toml(path)
    takes = data.get("takes", [])
    without = [
        number
        for number, take in enumerate(takes if isinstance(takes, list) else [])
        if isinstance(take, dict) and "calibration" not in take
    ]
    if not without:
        return 0
    for number in without:
        takes[number]["calibration"] = calibration
    pinned = _with_line_in_takes(text, f"calibration = {toml_value(calibration)}", without)
    try:
        as_meant = tomllib.loads(pinned) == data
    except tomllib.TOMLDecodeError:
        as_meant = False
    if not as_meant:
        raise InputError(
            f"{path}: earlier takes would change their levels, and cannot be given the calibration"
            f" they were made with: write takes as [[takes]] tables, or add calibration ="
            f' "{calibration}" to each yourself'
        )
    write_whole_text(path, pinned)
    return len(without)


def _with_line_in_takes(text: str, line: str, which: Sequence[int]) -> str:
    """Add a line at the head of some [[takes]] tables, counted from 0."""
    lines, number = [], -1
    for old in text.splitlines(keepends=True):
        lines.append(old)
        if TAKES_HEADER.match(old):
            number += 1
            if number in which:
                ending = "\r\n" if old.endswith("\r\n") else "\n"
                lines[-1] = old.rstrip("\r\n") + ending
                lines.append(line + ending)
    return "".join(lines)


def session_text(path: Path) -> str:
    """Return a file's text, with its line ends as they are.

    Raises
    ------
    InputError
        It cannot be read.
    """
    try:
        return path.read_bytes().decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read ({error})") from error


def checked_session(path: Path, text: str) -> None:
    """Refuse a text that could not be read as a session any more.

    Raises
    ------
    InputError
        It is no TOML that describes a session, or no text.
    """
    try:
        text.encode("utf-8")
    except UnicodeEncodeError as error:
        raise InputError(f"{path}: a name holds bytes that are no text in UTF-8") from error
    parse_session(tomllib.loads(text), path, takes_required=False)


def _quoted(text: str) -> str:
    named = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\t": "\\t", "\r": "\\r"}
    quoted = "".join(
        named.get(c) or (f"\\u{ord(c):04x}" if ord(c) < 32 or ord(c) == 127 else c) for c in text
    )
    return f'"{quoted}"'
