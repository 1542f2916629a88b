"""Reader and writer of ``results.json``."""

from __future__ import annotations

import dataclasses
import json
import math
import types
import typing
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from distsweep.errors import InputError
from distsweep.results import version_1
from distsweep.results.consistency import check_consistent
from distsweep.results.record import Record
from distsweep.results.session import Noted
from distsweep.results.take import SCHEMA, Results, Take
from distsweep.whole_files import write_whole

_DECIMALS = {"_percent": 6, "pascal_per_fs": 9, "pressure": 5, "window_s": 7}
"""−120 dB is 0.0001 %, a full scale may be a few millipascals, an impulse response is re 1, and a
sample lasts a few microseconds; all else is written to 1e-4 of its unit."""

_DEFAULT_DECIMALS = 4

LARGEST = 1e15
"""No number in results is larger (chosen: a frequency in Hz reaches 1e6, a sample number 1e10)."""


def to_json(results: Record) -> str:
    """Return results, or another record, as strict JSON: ``null`` for what does not exist."""
    return "".join(_written(results, ""))


def _written(value: Any, name: str) -> Iterator[str]:
    """Yield a value's text in pieces: of an hour's takes, not all numbers are objects at once."""
    if dataclasses.is_dataclass(value) and not isinstance(value, Mapping):
        fields = _fields(value)
        for number, (key, item) in enumerate(fields.items()):
            yield f'{", " if number else "{"}"{key}": '
            yield from _written(item, key)
        yield "}" if fields else "{}"
    elif isinstance(value, list | tuple) and value and dataclasses.is_dataclass(value[0]):
        for number, item in enumerate(value):
            yield ", " if number else "["
            yield from _written(item, name)
        yield "]"
    else:
        yield json.dumps(_plain(value, name), allow_nan=False, ensure_ascii=False)


def _fields(record: Any) -> dict[str, Any]:
    """Return a record's fields as they are written: `ONLY_IF_ANY` only where there is something."""
    fields = {one: getattr(record, one.name) for one in dataclasses.fields(record)}
    return {
        one.name: value
        for one, value in fields.items()
        if not one.metadata.get("only_if_any") or (value is not None and np.size(value))
    }


def write_results(results: Results, path: Path) -> None:
    """Write ``results.json`` whole, or not at all; its text is never held as a whole."""

    def write(scratch: Path) -> None:
        with scratch.open("w", encoding="utf-8", newline="\n") as file:
            file.writelines(_written(results, ""))
            file.write("\n")

    write_whole(path, write)


def read_results(path: str | Path) -> Results:
    """Read a ``results.json``.

    Raises
    ------
    InputError
        It is missing, is not JSON, or is of another schema.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read ({error.strerror}); give a results.json"
        ) from error
    except ValueError as error:
        raise InputError(f"{path}: is not JSON ({error}); give a results.json") from error
    return parse_results(text, where=str(path))


def parse_results(text: str, *, where: str) -> Results:
    """Read the text of a ``results.json``; errors name ``where`` it stands.

    Raises
    ------
    InputError
        It is not JSON, or is of another schema.
    """
    try:
        data = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise InputError(f"{where}: is not JSON ({error}); give a results.json") from error
    schema = data.get("schema") if isinstance(data, dict) else None
    if schema not in (SCHEMA, version_1.SCHEMA):
        raise InputError(
            f"{where}: schema is {schema!r}, this version reads {SCHEMA!r} and"
            f" {version_1.SCHEMA!r}: analyse the session again"
        )
    try:
        if schema == version_1.SCHEMA:
            data = version_1.to_version_2(data)
        results = typing.cast(Results, _restore(Results, data))
        for take in results.takes:
            _check_ladder(take)
            _check_damage(take)
        check_consistent(results)
    except (AttributeError, KeyError, OverflowError, TypeError, ValueError) as error:
        raise InputError(f"{where}: is damaged ({error}): analyse the session again") from error
    return results


def _check_ladder(take: Take) -> None:
    """Refuse a ladder whose arrays do not belong together.

    Raises
    ------
    ValueError
        Frequencies do not rise from above 0, a drive is no number, or an array has another length.
    """
    f = take.frequency_hz
    if not take.rungs:
        return
    if not (f.size and f[0] > 0.0 and np.all(np.diff(f) > 0.0)):
        raise ValueError(f"frequency_hz of take {take.position!r} does not rise from above 0")
    if not all(math.isfinite(rung.drive_dbfs) for rung in take.rungs):
        raise ValueError(f"a drive_dbfs of take {take.position!r} is no number")
    records = [curve for rung in take.rungs for curve in (rung, *rung.harmonics.values())]
    for record in [*records, *([take.compression] if take.compression else [])]:
        for name, value in vars(record).items():
            lists = value if isinstance(value, list) and name.startswith("gain_") else [value]
            arrays = [one for one in lists if isinstance(one, np.ndarray)]
            if any(one.size and one.shape != f.shape for one in arrays) or (
                lists is value and len(arrays) not in (0, len(take.rungs))
            ):
                raise ValueError(f"{name} is not as long as frequency_hz, or not one a rung")


def _check_damage(take: Take) -> None:
    """Refuse damage that has no time, or lies in a rung that the take does not hold.

    Raises
    ------
    ValueError
        A number is not finite, or a rung's is out of range.
    """
    for one in take.damage:
        numbers = [value for value in vars(one).values() if isinstance(value, float)]
        if not all(map(math.isfinite, numbers)):
            raise ValueError(f"a time, frequency or size of {one.kind!r:.40} is no number")
        if one.rung is not None and not 0 <= one.rung < len(take.rungs):
            raise ValueError(f"{one.kind!r:.40} lies in rung {one.rung}, of {len(take.rungs)}")


def _plain(value: Any, name: str) -> Any:
    """Turn dataclasses and arrays into what JSON knows; ``name`` sets the decimals."""
    if isinstance(value, np.ndarray):
        return _plain_array(value, name)
    if isinstance(value, float | np.floating):
        number = float(value)
        return round(number, _decimals(name)) if math.isfinite(number) else None
    if isinstance(value, np.integer | np.bool_):
        return value.item()
    if isinstance(value, Mapping):  # before the dataclasses: some are a table of what was noted
        return {str(key): _plain(item, str(key)) for key, item in value.items()}
    if dataclasses.is_dataclass(value):
        return {name: _plain(item, name) for name, item in _fields(value).items()}
    if isinstance(value, list | tuple):
        return [_plain(item, name) for item in value]
    return value


def _plain_array(array: np.ndarray[Any, Any], name: str) -> list[Any]:
    if array.dtype.kind != "f":
        return typing.cast(list[Any], array.tolist())
    values: list[Any] = array.round(_decimals(name)).tolist()
    for index in (~np.isfinite(array)).nonzero()[0].tolist():
        values[index] = None
    return values


def _decimals(name: str) -> int:
    for ending, decimals in _DECIMALS.items():
        if name.endswith(ending):
            return decimals
    return _DEFAULT_DECIMALS


def _restore(kind: Any, data: Any) -> Any:
    """Build a value of the annotated type ``kind`` from what JSON gave."""
    if dataclasses.is_dataclass(kind):
        return _restore_record(typing.cast(Any, kind), data)
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin in (typing.Union, types.UnionType):
        inner = next(a for a in arguments if a is not type(None))
        return None if data is None else _restore(inner, data)
    if origin is np.ndarray:
        for exact in (np.bool_, np.int64):
            if exact in typing.get_args(arguments[1]):
                return np.array(data, dtype=exact)
        return _numbers([np.nan if item is None else item for item in data])
    if origin in (list, tuple):
        return origin(_restore(arguments[0], item) for item in data)
    if origin is dict:
        return {arguments[0](key): _restore(arguments[1], item) for key, item in data.items()}
    if kind is float:
        return float("nan") if data is None else float(_numbers([data])[0])
    if kind in (bool, int, str) and type(data) is not kind:
        raise ValueError(f"{data!r:.40} stands where {kind.__name__} is due")
    return data


def _numbers(data: list[Any]) -> np.ndarray[Any, Any]:
    """Return an array of numbers.

    Raises
    ------
    ValueError
        One is none, or larger than any level, frequency or time.
    """
    if any(isinstance(item, str) for item in data):
        raise ValueError(f"a text stands where a number is due: {data!r:.40}")
    numbers = np.array(data, dtype=float)
    if np.any(np.abs(numbers) > LARGEST):
        raise ValueError(f"{np.nanmax(np.abs(numbers)):g} is no level, frequency or time")
    return numbers


def _restore_record(kind: Any, data: dict[str, Any]) -> Any:
    """Build a record; a field that the file lacks has its default."""
    if not isinstance(data, dict):
        raise ValueError(f"{kind.__name__} is {data!r:.40}, not a table")
    hints = typing.get_type_hints(kind)
    names = [field.name for field in dataclasses.fields(kind)]
    for field in dataclasses.fields(kind):
        due = field.default is field.default_factory is dataclasses.MISSING
        if due and field.name not in data:
            raise ValueError(f"{kind.__name__} has no {field.name}")
    if not issubclass(kind, Noted):
        return kind(**{name: _restore(hints[name], data[name]) for name in names if name in data})
    names.remove("others")
    noted = {name: _restore(hints[name], data.get(name)) for name in names}
    return kind(**noted, others={key: data[key] for key in data if key not in names})
