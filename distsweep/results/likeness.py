"""How far two files of results hold the same numbers."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

SAME_WITHIN = 1e-9
"""Numbers that differ by no more are the same (chosen: they are written to 1e-4 of their unit)."""

ORIGIN = ("version", "created")
"""Keys of ``provenance`` that say who made the results, and when, and nothing of what was heard."""


@dataclass
class Likeness:
    """What a comparison has counted.

    ``numbers`` were compared, of which ``differing`` are not the same, the ``largest`` difference
    in the number's own unit, at the place ``largest_at``; ``others`` are texts, flags, and entries
    that only one side has.
    """

    numbers: int = 0
    differing: int = 0
    largest: float = 0.0
    largest_at: str = ""
    others: int = 0


def likeness(one: str, other: str) -> Likeness:
    """Compare the texts of two ``results.json``, but for who made them and when.

    Raises
    ------
    ValueError
        One is not JSON.
    """
    found = Likeness()
    parsed = [json.loads(text) for text in (one, other)]
    for data in parsed:
        origin = data.get("provenance") if isinstance(data, dict) else None
        for key in ORIGIN:
            if isinstance(origin, dict):
                origin.pop(key, None)
    _compare(parsed[0], parsed[1], found, [])
    return found


def _compare(one: Any, other: Any, found: Likeness, place: list[str]) -> None:
    """Count what differs; ``place`` holds the keys and numbers that lead here."""
    if type(one) is dict and type(other) is dict:
        found.others += len(one.keys() ^ other.keys())
        for key in one.keys() & other.keys():
            _compare(one[key], other[key], found, [*place, f".{key}"])
    elif type(one) is list and type(other) is list:
        found.others += abs(len(one) - len(other))
        for number, (a, b) in enumerate(zip(one, other, strict=False)):
            _compare(a, b, found, [*place, f"[{number}]"])
    elif _is_number(one) and _is_number(other):
        found.numbers += 1
        away = abs(one - other)
        if away > SAME_WITHIN:
            found.differing += 1
            if away > found.largest:
                found.largest, found.largest_at = away, "".join(place).lstrip(".")
    elif type(one) is not type(other) or one != other:  # True equals 1 to Python
        found.others += 1


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
