"""File names from free text: a position may hold slashes, any alphabet, or nothing at all."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

_LONGEST = 40  # chosen so that folder, name and ending stay short on every file system


def safe_name(text: str) -> str:
    """Letters a–z, digits and single hyphens made from ``text``; "take" when none remain."""
    bare = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode("ascii").lower()
    name = re.sub(r"[^a-z0-9]+", "-", bare)[:_LONGEST].strip("-")
    return name or "take"


def unique_names(texts: Iterable[str]) -> list[str]:
    """Safe names, one a text, all different: the second "axis" becomes "axis-2"."""
    names: list[str] = []
    for text in texts:
        base = safe_name(text)
        name, count = base, 1
        while name in names:
            count += 1
            name = f"{base}-{count}"
        names.append(name)
    return names
