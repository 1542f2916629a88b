"""Levels as a tester writes them: "80 and 90", "70 to 95 by 5", "-40, -34, -28"."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Sequence

from distsweep.errors import InputError

LARGEST_RISE_DB = 10.0
"""Largest rise from one rung to the next (a requirement of capture)."""

MOST_LEVELS = 60
"""Most levels in a list; more are taken for a slip (chosen)."""

LARGEST_LEVEL_DB = 200.0
"""No level or drive is further from 0 (chosen: beyond any sound and any converter)."""

_NUMBER = r"[-−+]?\d+(?:[.]\d+)?"
_RANGE = re.compile(rf"^({_NUMBER})\s+to\s+({_NUMBER})\s+by\s+({_NUMBER})$")


def parse_levels(text: str) -> tuple[float, ...]:
    """Read rising levels in dB.

    Accepted are numbers parted by "and", commas or blanks, and "A to B by STEP"; B is
    included if the steps meet it.

    Raises
    ------
    InputError
        The text is something else, or the levels do not rise.
    """
    written = text.strip().lower()
    as_range = _RANGE.match(written)
    if as_range:
        first, last, step = (_number(word) for word in as_range.groups())
        if step <= 0.0 or last < first:
            raise InputError(f"levels {text!r}: must rise, as in '70 to 95 by 5'")
        count = math.floor((last - first) / step + 1e-9) + 1
        if count > MOST_LEVELS:
            raise InputError(
                f"levels {text!r}: are {count}, more than {MOST_LEVELS}: widen the step"
            )
        return tuple(first + step * i for i in range(count))
    parts = [part for part in re.split(r"\s*,\s*|\s+and\s+|\s+", written) if part]
    if not parts or len(parts) > MOST_LEVELS or not all(re.fullmatch(_NUMBER, p) for p in parts):
        raise InputError(f"levels {text!r}: write '80 and 90', '70, 80, 90' or '70 to 95 by 5'")
    levels = tuple(_number(part) for part in parts)
    if any(b <= a for a, b in itertools.pairwise(levels)):
        raise InputError(f"levels {text!r}: must rise: lowest first")
    return levels


def with_gentle_rises(levels_db: Sequence[float], *, from_db: float) -> tuple[float, ...]:
    """Put rungs in between wherever the next would be more than LARGEST_RISE_DB louder.

    ``from_db`` is what has been heard before the first rung. A gap is parted evenly.
    """
    filled: list[float] = []
    previous_db = from_db
    for level_db in levels_db:
        steps = max(1, math.ceil((level_db - previous_db) / LARGEST_RISE_DB - 1e-9))
        rise_db = (level_db - previous_db) / steps
        filled += [previous_db + rise_db * i for i in range(1, steps)]
        filled.append(level_db)
        previous_db = level_db
    return tuple(filled)


def _number(word: str) -> float:
    level_db = float(word.replace("−", "-"))
    if abs(level_db) > LARGEST_LEVEL_DB:
        raise InputError(f"level {word[:20]} is no level: must be within ±{LARGEST_LEVEL_DB:g} dB")
    return level_db
