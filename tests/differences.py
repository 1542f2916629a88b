"""What differs between two files of results, told apart by its kind."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

SAME = 1e-9
"""Numbers this close, relative to the larger, are the same: an order of summing differs by a few
times 1e-16."""

NEAR_DB, NEAR_SHARE = 0.001, 0.001
"""What another solver may move a fitted number by: in decibels, and as a share otherwise."""

LACKING = "(lacking)"
"""Stands for a value of a key, or an item of a list, that one side does not have."""


@dataclass(frozen=True)
class Difference:
    """A place in which two files differ.

    Attributes
    ----------
    kind : "lost" and "new" (keys), "items" (lists of unlike length), "number", "sentence" (a text
        of several words), or "value": a flag, a code, null against a number.
    """

    kind: str
    where: str
    old: Any
    new: Any


def read(path: Path) -> Any:
    """Return what a JSON file holds; NaN and infinities, which are no JSON, as texts."""
    return json.loads(path.read_text(encoding="utf-8"), parse_constant=str)


def differences(old: Any, new: Any, where: str = "", *, near: bool = False) -> Iterator[Difference]:
    """Yield what differs between two values; ``near`` lets fitted numbers move a little."""
    if isinstance(old, dict) and isinstance(new, dict):
        for key in sorted({*old, *new}):
            place = f"{where}.{key}" if where else key
            if key not in new:
                yield Difference("lost", place, old[key], LACKING)
            elif key not in old:
                yield Difference("new", place, LACKING, new[key])
            else:
                yield from differences(old[key], new[key], place, near=near)
    elif isinstance(old, list) and isinstance(new, list):
        if len(old) != len(new):
            yield Difference("items", where, old, new)
            return
        for index, (a, b) in enumerate(zip(old, new, strict=True)):
            yield from differences(a, b, f"{where}[{index}]", near=near)
    elif _is_number(old) and _is_number(new):
        if not _same_number(old, new, where if near else None):
            yield Difference("number", where, old, new)
    elif type(old) is not type(new) or old != new:
        both = isinstance(old, str) and isinstance(new, str)
        sentence = both and any(len(text.split()) > 1 for text in (old, new))
        yield Difference("sentence" if sentence else "value", where, old, new)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _same_number(old: float, new: float, loosely_at: str | None) -> bool:
    """Tell whether two numbers are the same, or near each other at the place given."""
    if old == new or math.isclose(old, new, rel_tol=SAME):
        return True
    if loosely_at is None:
        return False
    key = loosely_at.rpartition(".")[2].partition("[")[0]
    if "_db" in key or key.endswith("_spl"):
        return abs(old - new) <= NEAR_DB
    return math.isclose(old, new, rel_tol=NEAR_SHARE)
