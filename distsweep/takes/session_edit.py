"""Changing what a ``session.toml`` lists, in place: everything else, remarks included, stays."""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Callable, Collection, Mapping
from pathlib import Path
from typing import Any

from distsweep.errors import InputError
from distsweep.takes.session_file import (
    TAKES_HEADER,
    checked_session,
    session_text,
    toml_value,
)
from distsweep.whole_files import write_whole_text

HEADER = re.compile(r"\s*\[")
"""A line that begins a table, or goes on with a list that was begun above."""

KEY = re.compile(r"""\s*["']?(?P<key>[A-Za-z0-9_-]+)["']?\s*=(?P<value>.*)""", re.DOTALL)


def rewritten_text(path: Path, stimulus: str, values: Mapping[str, Any]) -> str:
    """Return the text of a session with other values in one of its takes; nothing is written.

    Parameters
    ----------
    stimulus : sidecar's name that the take's table holds.
    values : what the table is to hold; None takes a key out, keys that are not named stay.

    Raises
    ------
    InputError
        The file cannot be read, has no one such take, or writes it in another form than a
        [[takes]] table of plain lines.
    """

    def change(lines: list[str]) -> list[str]:
        return _with_values(lines, values)

    def change_data(takes: list[dict[str, Any]], number: int) -> None:
        takes[number].update(values)
        takes[number] = {key: item for key, item in takes[number].items() if item is not None}

    return _changed(path, {stimulus}, change, change_data)


def rewrite_take(path: Path, stimulus: str, values: Mapping[str, Any]) -> None:
    """Give one take of a session other values, in place; see ``rewritten_text``.

    Raises
    ------
    InputError
        As ``rewritten_text``, or the file cannot be written.
    """
    write_whole_text(path, rewritten_text(path, stimulus, values))


def retire_takes(path: Path, stimuli: Collection[str], why: str) -> None:
    """Turn takes of a session into remarks, with a line above each that says why.

    Parameters
    ----------
    stimuli : names of sidecars that their tables hold.

    Raises
    ------
    InputError
        The file cannot be read or written, has no one such take, or writes it in another form
        than a [[takes]] table of plain lines.
    """

    def change(lines: list[str]) -> list[str]:
        ends = max(place for place, line in enumerate(lines) if not _is_remark(line)) + 1
        remarks = [f"# {line}" if line.strip() else line for line in lines[:ends]]
        return [f"# {why}{_ending(lines)}", *remarks, *lines[ends:]]

    def change_data(takes: list[dict[str, Any]], number: int) -> None:
        takes[number] = {}

    text = _changed(path, stimuli, change, change_data)
    write_whole_text(path, text)


def _changed(
    path: Path,
    stimuli: Collection[str],
    change: Callable[[list[str]], list[str]],
    change_data: Callable[[list[dict[str, Any]], int], None],
) -> str:
    """Return a session's text with the blocks of some takes changed, if that reads as meant."""
    text = session_text(path)
    try:
        data = tomllib.loads(text)
        meant = copy.deepcopy(data)
        takes = meant["takes"]
        numbers = [n for n, take in enumerate(takes) if take.get("stimulus") in stimuli]
        for number in numbers:
            change_data(takes, number)
        meant["takes"] = [take for take in takes if take]
        if not meant["takes"]:
            del meant["takes"]
        changed = "".join(_changed_lines(text, numbers, change))
        as_meant = len(numbers) == len(stimuli) and tomllib.loads(changed) == meant
    except (tomllib.TOMLDecodeError, LookupError, TypeError, AttributeError, ValueError):
        as_meant = False
    if not as_meant:
        listed = ", ".join(sorted(stimuli))
        raise InputError(
            f"{path}: the take of {listed} cannot be changed in place: write each take once, as a"
            " [[takes]] table with a key a line"
        )
    checked_session(path, changed)
    return changed


def _changed_lines(
    text: str, numbers: Collection[int], change: Callable[[list[str]], list[str]]
) -> list[str]:
    lines, number = text.splitlines(keepends=True), -1
    if lines and not lines[-1].endswith("\n"):
        lines[-1] += "\n"
    done: list[str] = []
    place = 0
    while place < len(lines):
        end = place + 1
        if TAKES_HEADER.match(lines[place]):
            number += 1
            while end < len(lines) and not HEADER.match(lines[end]):
                end += 1
            block = lines[place:end]
            done += change(block) if number in numbers else block
        else:
            done.append(lines[place])
        place = end
    return done


def _ending(lines: list[str]) -> str:
    return "\r\n" if lines[0].endswith("\r\n") else "\n"


def _is_remark(line: str) -> bool:
    return not line.strip() or line.lstrip().startswith("#")


def _with_values(lines: list[str], values: Mapping[str, Any]) -> list[str]:
    """Return a table's lines with other values, each where its key stood, new ones at the end."""
    ending = _ending(lines)
    left = {key: value for key, value in values.items() if value is not None}
    kept, place = [], 0
    while place < len(lines):
        named = KEY.match(lines[place])
        end = place + 1
        if named is not None and not _is_remark(lines[place]) and named["key"] in values:
            end += _more_lines(named["value"], lines[end:])
            if named["key"] in left:
                kept.append(f"{named['key']} = {toml_value(left.pop(named['key']))}{ending}")
        else:
            kept += lines[place:end]
        place = end
    last = max(place for place, line in enumerate(kept) if not _is_remark(line)) + 1
    added = [f"{key} = {toml_value(value)}{ending}" for key, value in left.items()]
    return [*kept[:last], *added, *kept[last:]]


def _more_lines(value: str, following: list[str]) -> int:
    """Return how many further lines a value takes that was begun."""
    for count in range(len(following) + 1):
        try:
            tomllib.loads(f"value = {value}{''.join(following[:count])}")
        except tomllib.TOMLDecodeError:
            continue
        return count
    return 0
