"""Print pip constraints that hold every package the tests need to the oldest that is promised.

    python .ci/oldest.py > oldest.txt && pip install -c oldest.txt '.[test]'

The versions are the lower ends in ``pyproject.toml``, read from there, so that none drifts.
"""

import re
import tomllib
from pathlib import Path

PROJECT = Path(__file__).parents[1] / "pyproject.toml"

OTHERS = ["pyparsing<3.2"]
"""What needs others to be old too: matplotlib 3.8 calls names that pyparsing 3.2 warns of."""


def oldest(requirement: str) -> str:
    """Return ``name==version`` for a requirement of the form ``name>=version``."""
    match = re.fullmatch(r"([A-Za-z0-9_.-]+)\s*>=\s*([0-9][0-9.]*)", requirement)
    if match is None:
        raise SystemExit(f"{PROJECT.name}: {requirement!r} names no oldest version (name>=version)")
    return f"{match[1]}=={match[2]}"


if __name__ == "__main__":
    project = tomllib.loads(PROJECT.read_text(encoding="utf-8"))["project"]
    needed = project["dependencies"] + project["optional-dependencies"]["test"]
    print(*map(oldest, needed), *OTHERS, sep="\n")
