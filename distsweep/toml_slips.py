"""Usual slips in TOML that people write by hand, each with what to write instead.

The parser says where it stopped, in its own terms ("Expected newline or end of document").
Here the line is looked at as a person would: is it a decimal comma, a path with backslashes, a
text without quotes? A line is offered instead only if the parser takes it in its place; where
none is found, the parser's words have to do.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable

_CURLY = str.maketrans(dict.fromkeys("“”„‟‘’‚«»", '"'))
_STRING = re.compile(r'("(?:[^"\\]|\\.)*")')
_CONTROL_ESCAPE = re.compile(r'\\(?:\\|"|(?P<control>[btnfr]))')
_FILE = re.compile(r'"[A-Za-z]:\\|\.(wav|flac|aiff?|json|txt|csv|toml)"$', re.IGNORECASE)
_UNITS = re.compile(r"(k?hz|[cm]?m|in|ft|°?[cfk]|pa|db(fs| spl)?|m?s|%|deg.*|met.*)", re.IGNORECASE)
_TRUTH = {"true": "true", "yes": "true", "on": "true", "false": "false", "no": "false"}
_ESCAPE = "a backslash in double quotes begins an escape"
_TEXT = "a text stands in quotation marks"

Found = tuple[str, str | None]
"""What is wrong in a line, and the line to write instead; None where ``what`` says all."""


def slip(text: str, error: str) -> str | None:
    """Tell what a text that is no TOML has most likely wrong, and what to write.

    Parameters
    ----------
    text : the whole file.
    error : the parser's message, which ends in "(at line N, column M)" or the like.

    Returns
    -------
    "line N: …" in one line; None where no usual slip is seen. What stands behind "write" is a
    line that the parser takes in place of line N.
    """
    lines = text.splitlines()
    place = re.search(r"at line (\d+)", error)
    number = min(int(place[1]) if place else len(lines), len(lines))
    if not number:
        return None
    if "Unclosed array" in error and (opened := _opened(lines[:number])) is not None:
        return f"line {opened}: a list that begins here is not closed: put ] at its end"
    if place is None:  # the parser has read to the end for a quotation mark
        bare = [_without_remark(line) for line in lines[:number]]
        number = next((n for n in range(number, 0, -1) if _open_quote(bare[n - 1], "")), number)
    line = _without_remark(lines[number - 1]).strip()
    for look in _LOOKS:
        if (found := look(line, error)) is not None:
            what, instead = found
            if instead is None:
                return f"line {number}: {what}"
            if instead != line and _parses_instead(instead, lines, number):
                return f"line {number}: {what}: write {instead}"
    return None


def swallowed_path(text: str) -> str | None:
    r"""Tell of a path such as "C:\takes\new.wav", which is TOML, but with a tab and a new line.

    Returns
    -------
    "line N: …" in one line; None where there is none.
    """
    for number, line in enumerate(text.splitlines(), start=1):
        bare = _without_remark(line)
        for string in _STRING.findall(bare):
            escapes = any(found["control"] for found in _CONTROL_ESCAPE.finditer(string))
            path = _with_slashes(string)
            if escapes and _FILE.search(string) and _is_value(path):
                instead = bare.strip().replace(string, path)
                alone = _parses_instead(instead, [], 1)
                return f"line {number}: {_ESCAPE}: {'write' if alone else 'put'} {instead}"
    return None


def _parses_instead(instead: str, lines: list[str], number: int) -> bool:
    """Tell whether the parser gets past a line, not in a list, if another stands in its place."""
    before = [] if instead.startswith("[") else lines[: number - 1]  # headers need none
    try:
        tomllib.loads(instead)
        tomllib.loads("\n".join([*before, instead]))
    except (ValueError, RecursionError):
        return False
    return True


def _without_remark(line: str) -> str:
    """Return a line without its remark; a # inside quotes begins none."""
    found = re.match(r"""(?:[^"'#]|"(?:[^"\\]|\\.)*"|'[^']*'|["'](?=[^#]*$))*""", line)
    return (line if found is None else found[0]).rstrip()


def _opened(lines: list[str]) -> int | None:
    """Return the number of the last line that opens a list which nothing closes."""
    depth = 0
    for number in range(len(lines), 0, -1):
        line = _STRING.sub("", _without_remark(lines[number - 1]))
        if number < len(lines) or not line.lstrip().startswith("["):  # where the parser stopped
            depth += line.count("]") - line.count("[")
        if depth < 0:
            return number
    return None


def _key_and_value(line: str) -> tuple[str, str]:
    key, _, value = line.partition("=")
    return key.strip(), value.strip()


def _with_slashes(line: str) -> str:
    return re.sub(r"\\+", "/", line)


def _outside_strings(change: Callable[[str], str], line: str) -> str:
    parts = _STRING.split(line)
    return "".join(part if n % 2 else change(part) for n, part in enumerate(parts))


def _is_value(text: str) -> bool:
    try:
        tomllib.loads(f"x = {text}")
    except (ValueError, RecursionError):
        return False
    return True


def _quoted(text: str) -> str:
    """Return a text as a TOML string, a path with slashes; as it is if it is a value already."""
    text = text.strip()
    if _is_value(text):
        return text
    mark = "'" if '"' in text else '"'
    return f"{mark}{_with_slashes(text)}{mark}"


def _header(line: str, error: str) -> Found | None:
    found = re.fullmatch(r"\[+\s*([\w-]+)\s*\]*", line)
    if found is None:
        return None
    name = found[1]
    if name == "takes":
        return "each take has a table of its own", "[[takes]]"
    if "twice" in error:
        return f"[{name}] is there a second time: keep one, and put all its lines below it", None
    return "a table's name stands in brackets", f"[{name}]"


def _curly(line: str, _error: str) -> Found:
    instead = _outside_strings(lambda part: part.translate(_CURLY), line)
    return "curly quotation marks", instead


def _backslashes(line: str, _error: str) -> Found | None:
    return (_ESCAPE, _with_slashes(line)) if re.search(r'"[^"]*\\', line) else None


def _escape(line: str, error: str) -> Found | None:
    """Look for backslashes in the lines of a list."""
    if not re.search("Unescaped|Escaped|hex", error):
        return None
    return f"{_ESCAPE}: put / between the folders of a path", None


def _two_keys(line: str, _error: str) -> Found | None:
    bare = _STRING.sub('""', line)
    if not re.match(r"[\w-]+\s*=\s*[^=\[{]*[\s,;][\w-]+\s*=", bare):
        return None
    return "each key stands on a line of its own", None


def _quotes_in_quotes(line: str, _error: str) -> Found | None:
    key, value = _key_and_value(line)
    found = re.fullmatch(r"""(["'])(.+)\1""", value)
    if found is None or found[1] not in found[2]:
        return None
    other_mark = "'" if found[1] == '"' else '"'
    return f"a text that holds {found[1]} stands in the other kind", (
        f"{key} = {other_mark}{found[2]}{other_mark}"
    )


def _open_quote(line: str, _error: str) -> Found | None:
    found = re.search(r"""=\s*(["'])[^"']*$""", line)
    return None if found is None else ("a quotation mark is not closed", line + found[1])


def _comma(line: str, _error: str) -> Found | None:
    key, value = _key_and_value(line)
    if re.fullmatch(r"[+-]?\d{1,3},\d{3}", value):
        whole = value.replace(",", "")
        point = value.replace(",", ".")
        return f"a comma is no part of a number: is it {whole}, or {point} with a point?", None
    if re.fullmatch(r"[+-]?\d{1,3}(\.\d{3})+,\d+|[+-]?\d{1,3}(,\d{3})+\.\d+", value):
        whole, decimals = re.split(r"[.,](?=\d+$)", value)
        whole = re.sub("[.,]", "", whole)
        return "a number has one mark, the decimal point", f"{key} = {whole}.{decimals}"
    # In a table in braces too; three decimals may be thousands.
    instead = re.sub(r"(=\s*[+-]?\d+),(\d{1,2})(?=\s*($|[,}]))", r"\1.\2", line)
    return "a decimal mark is a point", instead


def _list(line: str, _error: str) -> Found | None:
    """Look for numbers in round brackets or in none, and for what separates them."""
    key, value = _key_and_value(line)
    found = re.fullmatch(r"[(\[]?([-+.,;\d\s]+)[)\]]?", value)
    if found is None:
        return None
    separator = ";" if ";" in value else r",?\s+" if re.search(r"\d\s+[-+\d]", value) else ","
    items = [item.strip(" ,").replace(",", ".") for item in re.split(separator, found[1].strip())]
    items = [item for item in items if item]
    if re.search(r"\d,\d{3}(?!\d)", value):
        return None  # thousands, perhaps
    if len(items) > 1:
        what = "commas separate the numbers of a list, and decimals have a point"
        return what, f"{key} = [{', '.join(items)}]"
    return "nothing stands behind a value", line.rstrip(",; ")


def _dash(line: str, _error: str) -> Found:
    instead = _outside_strings(lambda part: re.sub(r"[−–—‐‑]\s*(?=[\d.])", "-", part), line)
    return "a dash that is no minus sign of TOML", instead


def _word(line: str, _error: str) -> Found | None:
    """Look for True, yes and None."""
    key, value = _key_and_value(line)
    if value.lower() in _TRUTH:
        return "true and false stand in small letters", f"{key} = {_TRUTH[value.lower()]}"
    if value in ("None", "null", "nil"):
        return f"what is not known is left out: remove the line of {key}", None
    return None


def _number_form(line: str, _error: str) -> Found | None:
    """Look for 1.0 m, 1,0 m, .5, 5. and 021."""
    key, value = _key_and_value(line)
    found = re.fullmatch(r"([+-]?)(\d*)(?:[.,](\d*))?\s*(\D*)", value)
    if found is None or not (found[2] or found[3]):
        return None
    sign, whole, decimals, unit = found.groups()
    thousands = "," in value and len(decimals or "") == 3
    if thousands or (unit and not _UNITS.fullmatch(unit)):
        return None
    number = f"{sign}{whole.lstrip('0') or 0}" + ("" if decimals is None else f".{decimals or 0}")
    what = "a number begins with a digit, and ends with one"
    if unit:
        what = "a number stands without its unit, which is in the key's name"
        if not key.lower().endswith(f"_{unit.lower().strip('°')}"):  # kHz where Hz are meant
            return what, None
    elif len(whole) > 1 and whole[0] == "0":
        what = "a number begins with no 0"
    return what, f"{key} = {number}"


def _no_quotes(line: str, _error: str) -> Found | None:
    key, value = _key_and_value(line)
    if "=" not in line or "=" in value or not re.search(r"[^\W\d]", value):
        return None
    inside = re.fullmatch(r"\[(.*)\]", value)
    if inside is not None and '"' not in _STRING.sub("", value):
        texts = [_quoted(item) for item in inside[1].split(",") if item.strip()]
        return _TEXT, f"{key} = [{', '.join(texts)}]"
    if value[0] in "\"'[{“„‘«":
        return None
    return _TEXT, f"{key} = {_quoted(value.rstrip(',;'))}"


_LOOKS: list[Callable[[str, str], Found | None]] = [
    _header, _curly, _backslashes, _two_keys, _quotes_in_quotes, _open_quote, _comma,
    _list, _dash, _word, _number_form, _no_quotes, _escape,
]  # fmt: skip
