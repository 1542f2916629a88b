"""The house as it is drawn: which room stands above which, no circles, and how large things are."""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest
from test_walls import PACKAGE, SOURCES, found, tree_of

FLOORS = (
    (
        *("errors", "units", "fast_length", "reason", "plausible", "file_locks", "toml_slips"),
        *("c_libraries", "flag_runs", "version"),
    ),
    ("whole_files", "toml_input", "rehearsal"),
    ("file_sets", "results", "stimulus"),
    ("analysis",),
    ("words",),
    ("takes", "comparison"),
    ("capture", "report"),
    ("result_files", "comparison_files", "conversion"),
    ("take_pipeline",),
    ("pipeline",),
    ("demo", "sources", "distsweep"),
    ("cli",),
    ("__main__",),
)
"""Rooms from the ground up: each imports from lower floors only; none from one beside it."""

ANALYSIS_FLOORS = (
    ("weighting", "third_octave", "cut", "settings", "narrowing"),
    ("noise",),
    ("sweep", "tone"),
    ("limits",),
    ("agreement", "resonance", "advice", "placements"),
    ("ladder", "staircase", "stated_levels"),
    ("take",),
)
"""The same inside ``analysis``."""

LONGEST_MODULE, LONGEST_FUNCTION = 350, 50


def module_of(source: Path) -> str:
    parts = source.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {module_of(source): source for source in SOURCES}


def arrows() -> Iterator[tuple[str, str]]:
    """Yield (importer, imported) for every import of a file of the package, for types too."""
    for name, source in MODULES.items():
        if source.name == "__init__.py" and name in ("distsweep", "distsweep.report"):
            continue  # the library's faces: they hand names on when asked
        for item in found(source, with_types=True):
            if item.module in MODULES and item.module not in (name, "distsweep"):
                # A package's own face is imported with each of its files; it is no arrow.
                if name.startswith(f"{item.module}."):
                    continue
                yield name, item.module


def floor_of(room: str, floors: tuple[tuple[str, ...], ...]) -> int:
    for number, rooms in enumerate(floors):
        if room in rooms:
            return number
    raise AssertionError(f"{room} stands on no floor: enter it in this file's list")


def room_of(module: str, depth: int) -> str:
    parts = module.split(".")
    return parts[depth] if len(parts) > depth else parts[-1]


def climbing(
    pairs: Iterable[tuple[str, str]], floors: tuple[tuple[str, ...], ...], depth: int
) -> list[str]:
    """Return the arrows from one room to another on the same floor or above."""
    rooms = [(*pair, *(room_of(module, depth) for module in pair)) for pair in pairs]
    return [
        f"{importer} -> {imported}"
        for importer, imported, above, below in rooms
        if above != below and floor_of(above, floors) <= floor_of(below, floors)
    ]


def test_every_arrow_points_down() -> None:
    assert climbing(arrows(), FLOORS, 1) == []


def test_every_arrow_inside_analysis_points_down() -> None:
    inside = [pair for pair in arrows() if all(m.startswith("distsweep.analysis.") for m in pair)]
    assert inside
    assert climbing(inside, ANALYSIS_FLOORS, 2) == []


def test_no_files_import_each_other_in_a_circle() -> None:
    imported: dict[str, set[str]] = {name: set() for name in MODULES}
    for importer, target in arrows():
        imported[importer].add(target)
    while leaves := [name for name, targets in imported.items() if not targets & imported.keys()]:
        for name in leaves:
            del imported[name]
    circle = {name: sorted(targets & imported.keys()) for name, targets in imported.items()}
    assert circle == {}


def test_every_folder_of_the_package_is_installed() -> None:
    """One that pyproject.toml leaves out runs from the sources, and fails once installed."""
    project = tomllib.loads((PACKAGE.parent / "pyproject.toml").read_text(encoding="utf-8"))
    setuptools = project["tool"]["setuptools"]
    folders = {module_of(source) for source in SOURCES if source.name == "__init__.py"}
    assert folders == set(setuptools["packages"]) - set(setuptools["package-dir"])


def is_reason(line: str) -> bool:
    """Tell whether a line is a comment of several words: no rule, no note to a checker."""
    text = line.strip()
    note = re.match(r"#\s*(fmt|noqa|type|ruff|mypy|pragma)\b|#!", text)
    return text.startswith("#") and note is None and len(re.findall(r"[A-Za-z]{2,}", text)) >= 4


def reason_above(lines: list[str], first_line: int) -> bool:
    """Tell whether a reason stands right above a definition; comments above one another are one."""
    above = first_line - 2
    while above >= 0 and lines[above].lstrip().startswith("#"):
        if is_reason(lines[above]):
            return True
        above -= 1
    return False


@pytest.mark.parametrize("source", SOURCES, ids=lambda source: str(source.relative_to(PACKAGE)))
def test_what_is_long_says_why(source: Path) -> None:
    text = source.read_text(encoding="utf-8")
    lines = text.splitlines()
    if len(lines) > LONGEST_MODULE:
        assert is_reason(lines[0]), f"{len(lines)} lines, and no reason at the top"
    for node in ast.walk(tree_of(source)):
        if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        assert node.end_lineno is not None
        length = node.end_lineno - node.lineno + 1
        first = min([node.lineno, *(decorator.lineno for decorator in node.decorator_list)])
        if length > LONGEST_FUNCTION:
            assert reason_above(lines, first), f"{node.name} has {length} lines, and no reason"


@pytest.mark.parametrize(
    ("above", "counts"),
    [
        ("# One table: parting it would hide its order.", True),
        ("# One table: parting it would hide its order,\n# which is that of the file.", True),
        ("# ── the cut ──────────", False),
        ("# noqa: PLR0915 too many statements in it", False),
        ("x = 1", False),
        ("# One table: parting it would hide its order.\n", False),
    ],
)
def test_a_reason_is_told_from_a_rule(above: str, counts: bool) -> None:
    lines = [*above.split("\n"), "def f():"]
    assert reason_above(lines, len(lines)) == counts
