"""What the results' dataclasses have in common: a representation that fits a screen."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from typing import Any

import numpy as np

SHOWN_ITEMS = 8
"""Lists, dictionaries and texts up to this many items are shown whole (chosen: a short line)."""

SHOWN_CHARACTERS = 60

ONLY_IF_ANY = {"only_if_any": True}
"""Metadata of a field that is left out of files where it is None or empty."""


class Record:
    """Base of the results' dataclasses: ``repr`` tells numbers, and of arrays the shape only.

    A ladder holds some hundred thousand numbers; a notebook that prints it should show what it
    is, not what it holds.
    """

    def __repr__(self) -> str:
        """Return the class's name with a few characters on each field."""
        fields = dataclasses.fields(self)  # type: ignore[arg-type]
        parts = [f"{field.name}={_short(getattr(self, field.name))}" for field in fields]
        return f"{type(self).__name__}({', '.join(parts)})"


@dataclass(frozen=True, repr=False)
class RecordedReason(Record):
    """A fact by its code, and the values that belong to it; its sentence stands beside it."""

    code: str
    values: dict[str, Any] = field(default_factory=dict)


def _short(value: Any) -> str:
    if isinstance(value, np.ndarray):
        return f"<{' × '.join(map(str, value.shape))} values>"
    if isinstance(value, Record):
        return f"<{type(value).__name__}>"
    if isinstance(value, list | dict) and not _is_plain(value):
        kinds = {type(v).__name__ for v in (value.values() if isinstance(value, dict) else value)}
        return f"<{len(value)} {' and '.join(sorted(kinds)) or 'items'}>"
    if isinstance(value, float):
        return f"{value:.6g}"
    text = repr(value)
    return text if len(text) <= SHOWN_CHARACTERS else f"{text[: SHOWN_CHARACTERS - 1]}…"


def _is_plain(value: list[Any] | dict[Any, Any]) -> bool:
    items = list(value.values()) if isinstance(value, dict) else value
    plain = all(isinstance(item, str | int | float | bool | None) for item in items)
    return len(items) <= SHOWN_ITEMS and plain
