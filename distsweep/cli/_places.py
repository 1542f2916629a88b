"""Where results are to go: a file beside the folder, or the one in it by another name."""

from __future__ import annotations

from pathlib import Path


def json_elsewhere(json_file: str | None, folder: Path, name: str) -> str | None:
    """Return where JSON goes that is not to lie in the folder, by its ``name``; None: it is."""
    if json_file in (None, "-") or not is_same(Path(str(json_file)), folder / name):
        return json_file
    return None


def is_same(path: Path, other: Path) -> bool:
    """Tell whether two paths are one place, whether there is a file or not."""
    try:
        return path.resolve() == other.resolve()
    except (OSError, RuntimeError):  # a loop of links
        return False
