"""Reading TOML that people write by hand: every mistake is named with its remedy."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from datetime import date
from pathlib import Path
from typing import Any

from distsweep.errors import InputError

LARGEST = 1e100
"""Largest number that is read (chosen: nobody means a larger one, and its square is finite)."""


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file.

    Raises
    ------
    InputError
        It is missing, unreadable or malformed; the message holds the line, and what to write
        instead where it is a usual slip.
    """
    import tomllib

    from distsweep.toml_slips import slip, swallowed_path

    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}): check the path") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: is not text in UTF-8: save it as UTF-8") from error
    try:
        data = tomllib.loads(text)
    except RecursionError as error:
        raise InputError(
            f"{path}: lists or tables in it are nested too deeply: take the brackets away"
        ) from error
    except ValueError as error:  # an integer of thousands of digits is no error of TOML
        problem = slip(text, str(error)) or f"{error}: correct that line"
        raise InputError(f"{path}: is not valid TOML: {problem}") from error
    if (swallowed := swallowed_path(text)) is not None:
        raise InputError(f"{path}: {swallowed}")
    return data


class Table:
    """A table of a TOML file whose keys are taken one by one and checked as they go.

    ``close`` refuses what was not taken, with the nearest key that would have been.
    """

    def __init__(self, data: Any, where: str) -> None:
        """Wrap ``data``; ``where`` names it in messages (file, and table in it)."""
        if not isinstance(data, dict):
            raise InputError(f"{where}: must be a table of keys and values")
        self._data = data
        self._taken: list[str] = []
        self.where = where

    def has(self, key: str) -> bool:
        """Tell whether the key was given."""
        return key in self._data

    def take(self, key: str, default: Any = ...) -> Any:
        """Return a value unchecked; without a default a missing key is an error."""
        self._taken.append(key)
        if key in self._data:
            return self._data[key]
        if default is ...:
            self._missing(key)
        return default

    def text(self, key: str, default: Any = ...) -> Any:
        """Return a string that is not empty."""
        value = self.take(key, default)
        if key in self._data and (not isinstance(value, str) or not value.strip()):
            self.fail(key, f"is {value!r}: must be a text")
        return value

    def date(self, key: str, default: Any = ...) -> Any:
        """Return a day, year first (ISO 8601), as a text: TOML's own date, or a text."""
        value = self.take(key, default)
        if key not in self._data:
            return value
        try:
            return date.fromisoformat(str(value)).isoformat()
        except ValueError:
            return self.fail(key, f"is {str(value)!r}: must be a day, as {key} = 2026-11-20")

    def number(
        self,
        key: str,
        default: Any = ...,
        *,
        above: float | None = None,
        least: float | None = None,
    ) -> Any:
        """Return a finite number as float, above or at least a bound."""
        value = self.take(key, default)
        if key not in self._data:
            return value
        if not _is_number(value):
            self.fail(key, f"is {value!r}: must be a number{_as_number(value)}")
        if above is not None and value <= above:
            self.fail(key, f"is {value:g}: must be above {above:g}")
        if least is not None and value < least:
            self.fail(key, f"is {value:g}: must be {least:g} or more")
        return float(value)

    def whole(self, key: str, default: Any = ..., *, least: int) -> Any:
        """Return an integer of at least ``least``."""
        value = self.take(key, default)
        if key not in self._data:
            return value
        if isinstance(value, bool) or not isinstance(value, int) or value < least:
            self.fail(key, f"is {value!r}: must be a whole number, {least} or more")
        return value

    def truth(self, key: str, default: Any = ...) -> Any:
        """Return true or false."""
        value = self.take(key, default)
        if key in self._data and not isinstance(value, bool):
            self.fail(key, f"is {value!r}: must be true or false")
        return value

    def numbers(self, key: str, default: Any = ..., *, count: int | None = None) -> Any:
        """Return a list of finite numbers as a tuple of floats."""
        value = self.take(key, default)
        if key not in self._data:
            return value
        if not isinstance(value, list) or not value or not all(map(_is_number, value)):
            self.fail(key, f"is {value!r}: must be a list of numbers")
        if count is not None and len(value) != count:
            commas = "; write decimals with a point" if len(value) > count else ""
            self.fail(key, f"has {len(value)} numbers: must have {count}{commas}")
        return tuple(float(item) for item in value)

    def fail(self, key: str, problem: str) -> None:
        """Raise an InputError that names the file, the table and the key."""
        raise InputError(f"{self.where}: {key} {problem}")

    def close(self) -> None:
        """Refuse keys that nobody took."""
        for key in self._data:
            if key not in self._taken:
                raise InputError(f"{self.where}: unknown key {key!r}{nearest(key, self._taken)}")

    def _missing(self, key: str) -> None:
        close = difflib.get_close_matches(key, set(self._data) - set(self._taken), n=1, cutoff=0.7)
        hint = f"{close[0]!r} was found: did you mean {key!r}?" if close else "add it"
        raise InputError(f"{self.where}: {key} is missing: {hint}")


def nearest(word: str, known: Iterable[str]) -> str:
    """Return a hint that names the nearest known word, or lists those there are."""
    names = sorted(set(known))
    close = difflib.get_close_matches(word, names, n=1, cutoff=0.5)
    if close:
        return f": did you mean {close[0]!r}?"
    return f": known are {', '.join(names)}"


def _as_number(value: Any) -> str:
    """Return what to write for a number that was put in quotation marks."""
    if not isinstance(value, str):
        return ""
    try:
        return f"; write {float(value.replace(',', '.')):g}, without quotation marks"
    except ValueError:
        return ""


def _is_number(value: Any) -> bool:
    # A comparison holds for whole numbers of any length; "nan" fails it.
    is_one = isinstance(value, int | float) and not isinstance(value, bool)
    return is_one and -LARGEST <= value <= LARGEST
