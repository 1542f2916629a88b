"""The files that a ``session.toml`` names, and its text with other names in their places."""

from __future__ import annotations

import copy
from collections.abc import Callable, Mapping
from typing import Any

from distsweep.takes.session_calibration import UNCALIBRATED
from distsweep.takes.session_file import toml_value

Renaming = Callable[[str, str], str]
"""Called with a file's key ("recording", "stimulus", "calibration", "mic_correction") and its name
as written; returns the name that is to stand there."""


def with_paths(data: Mapping[str, Any], renamed: Renaming) -> dict[str, Any]:
    """Return what a session's TOML holds with every file's name replaced.

    The plan of a capture, [[positions]], is left out: nobody who gets the files captures by it.
    ``data`` is that of a session that was read without a complaint.
    """
    changed = copy.deepcopy(dict(data))
    changed.pop("positions", None)
    calibration = changed.get("calibration", {})
    for key, kind in (("file", "calibration"), ("mic_correction", "mic_correction")):
        if key in calibration:
            calibration[key] = renamed(kind, calibration[key])
    for take in changed.get("takes", []):
        if "stimulus" in take:  # the background has none
            take["stimulus"] = renamed("stimulus", take["stimulus"])
        names = take["recording"]
        take["recording"] = (
            [renamed("recording", name) for name in names]
            if isinstance(names, list)
            else renamed("recording", names)
        )
        if take.get("calibration", UNCALIBRATED) != UNCALIBRATED:
            take["calibration"] = renamed("calibration", take["calibration"])
    return changed


def session_text(data: Mapping[str, Any]) -> str:
    """Return a session as TOML: what stands in no table first, then each table."""
    bare = {key: value for key, value in data.items() if not _is_table(value)}
    parts = ["\n".join(_lines(bare))] if bare else []
    for name, value in data.items():
        tables = value if isinstance(value, list) else [value]
        header = f"[[{_key(name)}]]" if isinstance(value, list) else f"[{_key(name)}]"
        if _is_table(value):
            parts += ["\n".join([header, *_lines(table)]) for table in tables]
    return "\n\n".join(parts) + "\n"


def _is_table(value: object) -> bool:
    several = isinstance(value, list) and value and all(isinstance(one, dict) for one in value)
    return isinstance(value, dict) or bool(several)


def _lines(table: Mapping[str, Any]) -> list[str]:
    return [f"{_key(key)} = {_value(value)}" for key, value in table.items()]


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(_lines(value)) + " }" if value else "{}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    return toml_value(value)


def _key(name: str) -> str:
    bare = name.isascii() and name.replace("_", "").replace("-", "").isalnum()
    return name if bare else toml_value(name)
