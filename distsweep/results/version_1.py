"""Turn a ``results.json`` of version 1 into version 2, as plain JSON data."""

from __future__ import annotations

from typing import Any

SCHEMA = "distsweep.results/1"


def to_version_2(data: dict[str, Any]) -> dict[str, Any]:
    """Return the data under version 2's names; what version 2 adds is left out.

    Raises
    ------
    KeyError, TypeError, ValueError
        The data are damaged.
    """
    return {**data, "schema": "distsweep.results/2", "takes": [_take(t) for t in data["takes"]]}


def _take(take: dict[str, Any]) -> dict[str, Any]:
    present = dict(take)
    limiter = present.pop("limiter", None)
    present["limiters"] = [] if limiter is None else [limiter]
    ceilings = [*present.pop("ceiling", []), *present.pop("clean_ceiling", [])]
    present["clean_level"] = [_clean_level(one, take["frequency_hz"]) for one in ceilings]
    return present


def _clean_level(ceiling: dict[str, Any], frequency_hz: list[float]) -> dict[str, Any]:
    """Return a ceiling as a clean level: its ends are not known where it was reached."""
    level_db: list[float | None] = ceiling["level_db"]
    nothing: list[Any] = [None] * len(level_db)
    # The first files held the levels alone: whether the limit was reached is not known there.
    drive_dbfs = ceiling.get("drive_dbfs") or nothing
    reached = ceiling.get("reached") or [False] * len(level_db)
    limited_by = ceiling.get("limited_by") or [""] * len(level_db)
    state = [_state(*place) for place in zip(level_db, reached, limited_by, strict=True)]
    return {
        "thd_percent": ceiling["thd_percent"],
        "compression_db": ceiling.get("compression_db"),
        "frequency_hz": frequency_hz,
        "level_db": level_db,
        "low_db": [v if s == "not reached" else None for v, s in zip(level_db, state, strict=True)],
        "high_db": nothing,
        "drive_dbfs": drive_dbfs,
        "drive_low_dbfs": [
            v if s == "not reached" else None for v, s in zip(drive_dbfs, state, strict=True)
        ],
        "drive_high_dbfs": nothing,
        "state": state,
        "limited_by": ["" if by == "contradicted" else by for by in limited_by],
    }


def _state(level_db: float | None, reached: bool, limited_by: str) -> str:
    if limited_by == "contradicted":
        return "contradicted"
    if reached:
        return "below" if level_db is None else "reached"
    return "unknown" if level_db is None else "not reached"
