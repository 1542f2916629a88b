"""The numbers of a microphone's correction file, whose marks are decided from all of its lines.

Files come from many programs and countries: "20 0.1", "20;0,1", "20,0.1,-12". One line alone may
mean two things ("20,0,1" is 20.0 and 1, or 20 and 0.1, or 20, 0 and 1), so a mark means the same
in the whole file, and what can still be read in two ways is refused.
"""

from __future__ import annotations

import itertools
import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from distsweep.errors import InputError

_MINUS_SIGNS = str.maketrans(dict.fromkeys("−–‒‐‑－", "-"))
_BEGINS_WITH_A_NUMBER = re.compile(r"[+-]?[.,]?[0-9]")
_POINT_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")
_COMMA_NUMBER = re.compile(r"[+-]?[0-9]+(,[0-9]+)?([eE][+-]?[0-9]+)?")
_QUOTED_OR_COMMA = re.compile(r'"[^"]*"|,')
_INNER_COMMA = re.compile(r"(?<=[0-9]),(?=[0-9])")
_PERHAPS_THOUSANDS = re.compile(r"[1-9][0-9]{0,2}[.,][0-9]{3}")
_HEAD_OF_THOUSANDS = re.compile(r"[1-9][0-9]{0,2}")
_REST_OF_THOUSANDS = re.compile(r"[0-9]{3}([.,][0-9]+)?")

HIGHEST_HZ = 1e5
"""No correction reaches beyond (chosen: a recording at 192 kHz holds up to 96 kHz)."""

_NO_THOUSANDS = "write numbers without thousands separators (1000, not 1.000 or 1 000)"
_SEMICOLONS = "separate the numbers by semicolons, or write decimals with a point"


@dataclass(frozen=True)
class Line:
    """A line that begins with a number, counted from 1: as written, and as it is parsed."""

    number: int
    written: str
    text: str


@dataclass(frozen=True)
class Point:
    """A line's numbers; a third, the phase, is not kept."""

    line: Line
    frequency_hz: float
    deviation_db: float


def decode(data: bytes) -> str:
    """Return the text of a file: UTF-8, UTF-16 or an 8-bit code page, with or without a mark.

    What is no number may come out wrong: numbers are the same in every 8-bit code page.
    """
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", errors="replace")
    if b"\0" in data:
        big_endian = data[0::2].count(0) > data[1::2].count(0)
        return data.decode("utf-16-be" if big_endian else "utf-16-le", errors="replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")


def read_points(path: Path, text: str) -> list[Point]:
    """Read the lines that begin with a number; all others are remarks.

    A comma is a decimal mark where something else separates the numbers of every line;
    otherwise it separates, and decimals have a point.

    Raises
    ------
    InputError
        A line is not two or three numbers, or can be read in two ways.
    """
    lines = _lines(text)
    commas = [_split(line.text, decimal_comma=True) for line in lines]
    points = [_split(line.text, decimal_comma=False) for line in lines]
    if all(fields is not None for fields in commas):
        chosen = commas
    else:
        chosen = points
        _refuse_mixed(path, lines, points, commas)
    rows = [fields for fields in chosen if fields is not None]
    _refuse_thousands(path, lines, rows)
    return [
        Point(line, *(float(field.replace(",", ".")) for field in fields[:2]))
        for line, fields in zip(lines, rows, strict=True)
    ]


def _lines(text: str) -> list[Line]:
    """Return the lines that begin with a number, in quotes or not."""
    found = []
    for number, written in enumerate(re.split(r"\r\n|\r|\n", text), start=1):
        visible = "".join(c for c in written if unicodedata.category(c) != "Cf")
        plain = visible.translate(_MINUS_SIGNS).replace("°", "").strip()
        if _BEGINS_WITH_A_NUMBER.match(plain.lstrip('"')):
            found.append(Line(number, written.strip(), plain))
    # Spreadsheets put fields in quotes; a comma beside a quote separates fields, here and in
    # all lines, and one inside quotes does not.
    if any(re.search(r'"\s*,|,\s*"', line.text) for line in found):
        found = [replace(line, text=_QUOTED_OR_COMMA.sub(_semicolon, line.text)) for line in found]
    return [replace(line, text=line.text.replace('"', "")) for line in found]


def _semicolon(found: re.Match[str]) -> str:
    return ";" if found[0] == "," else found[0]


def _split(text: str, *, decimal_comma: bool) -> list[str] | None:
    """Return the two or three numbers of a line; None where it does not hold them so."""
    marks, number = (";", _COMMA_NUMBER) if decimal_comma else (",;", _POINT_NUMBER)
    packed = re.sub(rf"\s*([{marks}])\s*", r"\1", text).rstrip(marks)
    fields = re.split(rf"[{marks}]|\s+", packed)
    fits = 2 <= len(fields) <= 3 and all(number.fullmatch(field) for field in fields)
    return fields if fits else None


def _refuse_mixed(
    path: Path,
    lines: Sequence[Line],
    points: Sequence[list[str] | None],
    commas: Sequence[list[str] | None],
) -> None:
    """Refuse what is no number with a point, and commas that may be decimal marks all the same."""
    proven = any("." in line.text for line in lines)
    for line, by_point, by_comma in zip(lines, points, commas, strict=True):
        inner = len(_INNER_COMMA.findall(line.text))
        if by_point is None and by_comma is not None:
            raise InputError(
                f"{_place(path, line)} has a decimal comma, and other lines do not: write the whole"
                " file in one manner"
            )
        if by_point is None:
            raise InputError(f"{_place(path, line)} {_what_is_wrong(line.text, inner)}")
        if not proven and _is_the_same_in_every_reading(line.text, by_point):
            continue
        others = len(by_point) - 1 - inner
        if inner and others and not (proven and _separated_by_commas(line.text)):
            raise InputError(f"{_place(path, line)} can be read in two ways: {_SEMICOLONS}")
        if inner > 1 and not proven:
            raise InputError(f"{_place(path, line)} can be two numbers or three: {_SEMICOLONS}")


def _is_the_same_in_every_reading(text: str, fields: Sequence[str]) -> bool:
    """Tell whether "20,0,0" holds the same two numbers whichever comma is a decimal mark."""
    whole = all(re.fullmatch("[+-]?[0-9]+", field) for field in fields)
    if len(fields) != 3 or not whole or not _separated_by_commas(text):
        return False
    readings = {(float(fields[0]), float(fields[1]))}
    if fields[1][0] not in "+-":  # no sign stands behind a decimal mark
        readings.add((float(f"{fields[0]}.{fields[1]}"), float(fields[2])))
    if fields[2][0] not in "+-":
        readings.add((float(fields[0]), float(f"{fields[1]}.{fields[2]}")))
    return len(readings) == 1


def _separated_by_commas(text: str) -> bool:
    return re.search(r"[;\s]", re.sub(r"\s*,\s*", ",", text)) is None


def _what_is_wrong(text: str, inner_commas: int) -> str:
    if re.search(r"[0-9]['’`´][0-9]", text) or (
        inner_commas and re.search(r"\.[0-9]+,[0-9]", text)
    ):
        return f"holds a number with two kinds of marks: {_NO_THOUSANDS}"
    if inner_commas > 1:
        return f"is neither two numbers nor three: {_SEMICOLONS}"
    return "is not 'frequency_hz deviation_db': write two numbers, or begin a remark with a word"


def _refuse_thousands(path: Path, lines: Sequence[Line], rows: Sequence[list[str]]) -> None:
    """Refuse marks that may stand for thousands: "1 000 0,5", and "1.000" beside whole decibels.

    They may only where the frequencies would rise so, and stay below ``HIGHEST_HZ``.
    """
    split = [
        len(fields) == 3
        and _HEAD_OF_THOUSANDS.fullmatch(fields[0]) is not None
        and _REST_OF_THOUSANDS.fullmatch(fields[1]) is not None
        for fields in rows
    ]
    if any(split) and _may_be_frequencies(
        fields[0] + fields[1] if joined else fields[0]
        for fields, joined in zip(rows, split, strict=True)
    ):
        raise InputError(
            f"{_place(path, lines[split.index(True)])} can hold a thousands separator:"
            f" {_NO_THOUSANDS}"
        )
    marked = [i for i, fields in enumerate(rows) if re.search("[.,]", fields[0])]
    if (
        marked
        and all(_PERHAPS_THOUSANDS.fullmatch(rows[i][0]) for i in marked)
        and not any(re.search("[.,]", fields[1]) for fields in rows)
        and _may_be_frequencies(re.sub("[.,]", "", fields[0]) for fields in rows)
    ):
        line = lines[marked[0]]
        raise InputError(
            f"{_place(path, line)}: {rows[marked[0]][0]} can be a decimal or thousands:"
            f" {_NO_THOUSANDS}, and decibels with a decimal (0.0)"
        )


def _may_be_frequencies(fields: Iterable[str]) -> bool:
    frequency_hz = [float(field.replace(",", ".")) for field in fields]
    rises = all(before < after for before, after in itertools.pairwise(frequency_hz))
    return rises and frequency_hz[-1] <= HIGHEST_HZ


def _place(path: Path, line: Line) -> str:
    return f"{path}, line {line.number}: {line.written[:40]!r}"
