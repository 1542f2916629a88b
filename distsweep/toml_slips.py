"""Usual slips in TOML that people write by hand, each with what to write instead.

The parser says where it stopped, in its own terms ("Expected newline or end of document").
Here the line is looked at as a person would: is it a decimal comma, a path with backslashes, a
text without quotes?
"""

from __future__ import annotations

import re
from collections.abc import Callable

_CURLY = str.maketrans(dict.fromkeys("“”„‟‘’‚«»", '"'))
_DASHES = str.maketrans(dict.fromkeys("−–—‐‑", "-"))
_STRING = re.compile(r'"(?:[^"\\]|\\.)*"')
_CONTROL_ESCAPE = re.compile(r'\\(?:\\|"|(?P<control>[btnfr]))')
_FILE = re.compile(r'"[A-Za-z]:\\|\.[A-Za-z0-9]{2,5}"$')
_NUMBER = r"[+-]?\d+"
_UNITS = re.compile(r"(k?hz|[cm]?m|in|ft|°?[cfk]|pa|db(fs| spl)?|m?s|%|deg.*|met.*)", re.IGNORECASE)
_TRUTH = {"true": "true", "yes": "true", "on": "true", "false": "false", "no": "false"}


def slip(text: str, error: str) -> str | None:
    """Tell what a text that is no TOML has most likely wrong, and what to write.

    Parameters
    ----------
    text : the whole file.
    error : the parser's message, which ends in "(at line N, column M)" or the like.

    Returns
    -------
    "line N: …" in one line; None where no usual slip is seen.
    """
    lines = text.splitlines()
    place = re.search(r"at line (\d+)", error)
    number = min(int(place[1]) if place else len(lines), len(lines))
    if not number:
        return None
    if "Unclosed array" in error:
        number = _opened(lines[:number]) or number
    elif not place:
        quotes = (n for n in range(number, 0, -1) if _open_quote(_without_remark(lines[n - 1]), ""))
        number = next(quotes, number)
    line = _without_remark(lines[number - 1])
    said = next((said for look in _LOOKS if (said := look(line, error))), None)
    return None if said is None else f"line {number}: {said}"


def swallowed_path(text: str) -> str | None:
    r"""Tell of a path such as "C:\takes\new.wav", which is TOML, but with a tab and a new line.

    Returns
    -------
    "line N: …" in one line; None where there is none.
    """
    for number, line in enumerate(text.splitlines(), start=1):
        for string in _STRING.findall(_without_remark(line)):
            escapes = any(found["control"] for found in _CONTROL_ESCAPE.finditer(string))
            if escapes and _FILE.search(string):
                return f"line {number}: {_backslashes(string, '')}"
    return None


def _without_remark(line: str) -> str:
    """Return a line without its remark; a # inside quotes begins none."""
    found = re.match(r"""(?:[^"'#]|"(?:[^"\\]|\\.)*"|'[^']*'|["'](?=[^#]*$))*""", line)
    return (line if found is None else found[0]).rstrip()


def _opened(lines: list[str]) -> int | None:
    """Return the number of the last line that opens a list which is not closed after it."""
    depth = 0
    for number in range(len(lines), 0, -1):
        line = _STRING.sub("", _without_remark(lines[number - 1]))
        depth += line.count("]") - line.count("[")
        if depth < 0:
            return number
    return None


def _key_and_value(line: str) -> tuple[str, str]:
    key, _, value = line.partition("=")
    return key.strip(), value.strip()


def _curly(line: str, _error: str) -> str | None:
    bare = _STRING.sub("", line)
    if bare.translate(_CURLY) == bare:
        return None
    return f"curly quotation marks: write {line.strip().translate(_CURLY)}"


def _backslashes(line: str, _error: str) -> str | None:
    found = re.search(r'"[^"]*\\.*"', line)
    if found is None:
        return None
    path = re.sub(r"\\+", "/", found[0][1:-1])
    return f'a backslash in double quotes begins an escape: write "{path}"'


def _open_quote(line: str, _error: str) -> str | None:
    rest = _STRING.sub("", line)
    for mark, other in (('"', "'"), ("'", '"')):
        inner = re.search(rf"=\s*{mark}[^{mark}]*{mark}\s*[^\s{mark}=,\]}}][^{mark}=]*{mark}", line)
        if line.count(mark) > 1 and (inner or rest.count(mark) % 2):
            return f"a text that holds {mark} stands in the other kind: write it in {other}…{other}"
        if rest.count(mark) % 2:
            return f"a quotation mark is not closed: write {line.strip()}{mark}"
    return None


def _comma(line: str, _error: str) -> str | None:
    found = re.search(rf"=\s*({_NUMBER}),(\d+)\s*($|[,}}])", line)
    if found is not None:
        whole, decimals = found[1], found[2]
        if len(decimals) < 3:
            return f"a decimal mark is a point: write {whole}.{decimals}"
        thousands = f", or {whole}{decimals}" if len(decimals) == 3 else ""
        return (
            f"a comma is no part of a number: write {whole}.{decimals}{thousands}, or a list,"
            f" [{whole}, {decimals}]"
        )
    bare = _STRING.sub("", line)
    if re.search(rf"\[[^]]*(;|\d\s+{_NUMBER})", bare):
        return "in a list commas separate the numbers: write [1.5, 2.5], decimals with a point"
    key, value = _key_and_value(line)
    if re.fullmatch(r"\(?[-+.\d]+([\s,;]+[-+.\d]+)+\)?", value):
        return (
            f"numbers stand in a list: write {key} = [{', '.join(re.findall(r'[-+.0-9]+', value))}]"
        )
    if value[-1:] in (",", ";"):
        return f"nothing stands behind a value: write {key} = {value.rstrip(',; ')}"
    return None


def _two_keys(line: str, _error: str) -> str | None:
    bare = _STRING.sub('""', line)
    found = re.match(r"\s*[\w-]+\s*=\s*[^=\[{]*[\s,;]([\w-]+\s*=.*)", bare)
    return None if found is None else "each key stands on a line of its own: write them so"


def _dash(line: str, _error: str) -> str | None:
    bare = _STRING.sub("", line)
    if not re.search(r"[−–—‐‑]\s*[\d.]", bare):
        return None
    return f"a dash that is no minus sign of TOML: write {line.strip().translate(_DASHES)}"


def _truth(line: str, _error: str) -> str | None:
    meant = _TRUTH.get(_key_and_value(line)[1].lower())
    return None if meant is None else f"write {meant}, in small letters"


def _no_value(line: str, _error: str) -> str | None:
    key, value = _key_and_value(line)
    if "=" not in line or value:
        return None
    return f"{key} has no value: write one, or remove the line"


def _number_form(line: str, _error: str) -> str | None:
    """Look for 1.0 m, 1,0 m, .5, 5. and 021."""
    value = _key_and_value(line)[1].replace(",", ".")
    found = re.fullmatch(r"([+-]?)(\d*)(?:\.(\d*))?\s*(\D*)", value)
    if found is None or not (found[2] or found[3]):
        return None
    sign, whole, decimals, unit = found.groups()
    if unit and not _UNITS.fullmatch(unit):
        return None
    number = f"{sign}{int(whole or 0)}" + ("" if decimals is None else f".{decimals or 0}")
    if unit:
        return f"a number stands without its unit, which is in the key's name: write {number}"
    return f"write {number}"


def _no_quotes(line: str, _error: str) -> str | None:
    key, value = _key_and_value(line)
    if not key or not value or "=" in value:
        return None
    if value in ("None", "null", "nil"):
        return f"what is not known is left out: write no line for {key}"
    if value.startswith("[") and re.search(r"[^\W\d]", _STRING.sub("", value)):
        texts = ", ".join(f'"{_bare(item)}"' for item in value.strip("[] ").split(",") if item)
        return f"a text stands in quotation marks: write {key} = [{texts}]"
    if value[0] in "\"'[{" or not re.search(r"[^\W\d]", value):
        return None
    path = _bare(value)
    return f'a text stands in quotation marks: write {key} = "{path}"'


def _bare(value: str) -> str:
    return value.strip().replace('"', "").replace("\\", "/")


def _no_equals(line: str, _error: str) -> str | None:
    item = line.strip().rstrip(",")
    if line.rstrip().endswith(",") and "=" not in line and re.search(r"[^\W\d]", item):
        return f'a text stands in quotation marks: write "{_bare(item)}",'
    found = re.fullmatch(r"\s*([\w-]+)\s*[:\s]\s*(\S.*)", line)
    if found is None or "=" in line:
        return None
    value = found[2] if re.match(r"[\d\"'\[{+-]|true|false", found[2]) else f'"{found[2]}"'
    return f"between a key and its value stands =: write {found[1]} = {value}"


def _header(line: str, error: str) -> str | None:
    found = re.fullmatch(r"\s*\[+\s*([\w-]+)\s*\]*\s*", line)
    if found is None:
        return None
    name = found[1]
    if name == "takes":
        return "each take has a table of its own: write [[takes]] above it"
    if "twice" in error:
        return f"[{name}] is there a second time: keep one, and put all its lines below it"
    return f"write [{name}]"


def _twice(line: str, error: str) -> str | None:
    if "overwrite" not in error:
        return None
    return f"{_key_and_value(line)[0]} is given a second time: keep one of the two"


def _open_list(line: str, error: str) -> str | None:
    opened = line.count("[") > line.count("]")
    return "a list is not closed: write ] at its end" if opened and "array" in error else None


_LOOKS: list[Callable[[str, str], str | None]] = [
    _twice, _header, _curly, _backslashes, _open_quote, _two_keys, _comma, _dash, _truth,
    _no_value, _number_form, _no_quotes, _no_equals, _open_list,
]  # fmt: skip
