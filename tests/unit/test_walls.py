"""The walls of the house: which room may import what, by reading the sources."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

import distsweep
from distsweep.cli import COMMANDS

PACKAGE = Path(distsweep.__file__).parent
SOURCES = sorted(PACKAGE.rglob("*.py"))


@dataclass(frozen=True)
class Import:
    """A module that a source imports, by its full name, and where."""

    module: str
    line: int
    at_start: bool  # runs when the source is imported
    for_types_only: bool


def room(source: Path) -> str:
    """Return the sub-package that a source belongs to, or its own name at the top level."""
    parts = source.relative_to(PACKAGE).parts
    return parts[0] if len(parts) > 1 else source.stem


def imports(tree: ast.Module, package: str) -> Iterator[Import]:
    """Yield every import of a source, wherever it stands."""
    typing_only = {
        inner
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)
        for statement in node.body
        for inner in ast.walk(statement)
    }
    in_function = {
        inner
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda)
        for inner in ast.walk(node)
    }
    for node in ast.walk(tree):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            home = node.module or ""
            if node.level:
                above = package.split(".")[: len(package.split(".")) - node.level + 1]
                home = ".".join([*above, *([home] if home else [])])
            # "from scipy import signal" imports scipy.signal as much as the other spelling.
            names = [home, *(f"{home}.{alias.name}" for alias in node.names)]
        for name in names:
            yield Import(name, node.lineno, node not in in_function, node in typing_only)


@cache
def tree_of(source: Path) -> ast.Module:
    return ast.parse(source.read_text(encoding="utf-8"))


@cache
def imports_of(source: Path) -> list[Import]:
    package = ".".join(["distsweep", *source.relative_to(PACKAGE).parts[:-1]])
    return list(imports(tree_of(source), package))


def found(source: Path, *, at_start: bool = False, with_types: bool = False) -> list[Import]:
    return [
        item
        for item in imports_of(source)
        if (item.at_start or not at_start) and (with_types or not item.for_types_only)
    ]


def breaches(rooms: set[str], forbidden: tuple[str, ...], **which: bool) -> list[str]:
    """Return "file:line imports module" for each forbidden import in some rooms."""
    return [
        f"{source.relative_to(PACKAGE)}:{item.line} imports {item.module}"
        for source in SOURCES
        if room(source) in rooms
        for item in found(source, **which)
        if any(item.module == name or item.module.startswith(f"{name}.") for name in forbidden)
    ]


ROOMS = {room(source) for source in SOURCES}


def test_the_rooms_of_the_design_are_there() -> None:
    # A wall around a room that was renamed would hold nothing.
    rooms = {"analysis", "capture", "cli", "rehearsal", "report", "results", "stimulus"}
    assert rooms | {"takes", "words"} <= ROOMS


def test_analysis_is_pure() -> None:
    rooms = ("takes", "capture", "report", "words", "rehearsal", "cli")
    others = tuple(f"distsweep.{name}" for name in rooms)
    # What would open files: their readers and the operating system's names for them.
    openers = ("soundfile", "pathlib", "os", "io", "shutil", "tempfile", "distsweep.whole_files")
    assert breaches({"analysis"}, (*others, *openers), with_types=True) == []
    for source in SOURCES:
        if room(source) != "analysis":
            continue
        for node in ast.walk(tree_of(source)):
            called = ast.unparse(node.func) if isinstance(node, ast.Call) else ""
            place = f"{source.name}:{getattr(node, 'lineno', 0)} calls {called}"
            assert called not in {"open", "print", "input"}, place
            read_or_written = ("read_text", "write_text", "read_bytes", "write_bytes", "tofile")
            numpy_files = ("np.load", "np.save", "np.loadtxt", "np.savetxt", "np.fromfile")
            assert not called.endswith((*read_or_written, *numpy_files)), place


def test_rehearsal_shares_no_signal_processing() -> None:
    forbidden = ("distsweep.analysis", "distsweep.stimulus")
    assert breaches({"rehearsal"}, forbidden, with_types=True) == []


def test_nothing_but_capture_touches_sounddevice() -> None:
    assert breaches(ROOMS - {"capture"}, ("sounddevice",)) == []
    assert breaches({"capture"}, ("sounddevice",), at_start=True) == []


def test_nothing_but_report_draws() -> None:
    assert breaches(ROOMS - {"report"}, ("matplotlib",)) == []


def test_nothing_but_the_command_line_knows_click() -> None:
    assert breaches(ROOMS - {"cli"}, ("click",)) == []


def test_scipy_signal_is_imported_where_it_is_used() -> None:
    assert breaches(ROOMS, ("scipy.signal",), at_start=True) == []
    # Importing scipy takes an eighth of analysing ten rungs; numpy transforms as fast.
    assert breaches({"analysis", "takes"}, ("scipy",), at_start=True) == []


def test_decibels_are_made_in_one_place() -> None:
    # A log10 that is multiplied by 10 or 20 is a decibel, and those stand in units.py.
    made = []
    for source in SOURCES:
        for node in ast.walk(tree_of(source)):
            if not (isinstance(node, ast.BinOp) and isinstance(node.op, ast.Mult)):
                continue
            sides = [ast.unparse(node.left), ast.unparse(node.right)]
            factor = any(side in {"10", "10.0", "20", "20.0"} for side in sides)
            if factor and any("log10(" in side for side in sides) and room(source) != "units":
                made.append(f"{source.relative_to(PACKAGE)}:{node.lineno}")
    assert made == []


@pytest.mark.parametrize(
    ("code", "module"),
    [
        ("import scipy.signal", "scipy.signal"),
        ("from scipy import signal", "scipy.signal"),
        ("from scipy.signal import windows", "scipy.signal"),
        ("from .errors import InputError", "distsweep.analysis.errors"),
        ("from ..report import page", "distsweep.report.page"),
    ],
)
def test_every_spelling_of_an_import_is_seen(code: str, module: str) -> None:
    seen = list(imports(ast.parse(code), "distsweep.analysis"))
    assert module in [item.module for item in seen]
    assert all(item.at_start for item in seen)
    later = list(imports(ast.parse(f"def f():\n    {code}"), "distsweep.analysis"))
    assert later
    assert not any(item.at_start for item in later)


HEAVY = ("numpy", "scipy", "scipy.signal", "soundfile", "sounddevice", "matplotlib", "jinja2")


def loaded_by(code: str) -> set[str]:
    """Run code in a fresh interpreter and return which of HEAVY it has loaded."""
    script = (
        f"import sys\n{code}\nprint(*[m for m in {HEAVY!r} if m in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], check=True, capture_output=True, text=True, timeout=60
    )
    return set(done.stderr.split())


HELP = """
sys.argv = ["distsweep", "--help"]
from distsweep.cli import main
try:
    main()
except SystemExit as done:
    assert not done.code
"""


@pytest.mark.parametrize("code", ["import distsweep", HELP], ids=["import", "help"])
def test_start_loads_nothing_heavy(code: str) -> None:
    assert loaded_by(code) == set()


def test_heavy_modules_would_be_noticed() -> None:
    assert loaded_by("import scipy.signal") == {"numpy", "scipy", "scipy.signal"}


def test_analysing_loads_no_drawing_no_device_and_no_scipy() -> None:
    loaded = loaded_by("from distsweep import analyse_recording, read_results")
    assert not loaded & {"matplotlib", "sounddevice", "scipy"}


NUMPY_LOADED = """
import os, sys

class Watch:
    def find_spec(self, name, *_):
        if name == "numpy":
            print("threads", os.environ.get("OPENBLAS_NUM_THREADS"))

sys.meta_path.insert(0, Watch())
sys.argv = ["distsweep", "inspect", "none.wav"]
from distsweep.cli import main
main()
"""


@pytest.mark.parametrize(("set_to", "threads"), [(None, "1"), ("3", "3")])
def test_commands_calculate_with_one_thread_unless_told(set_to: str | None, threads: str) -> None:
    """Threads that share products of short arrays wait for one another."""
    environment = {k: v for k, v in os.environ.items() if k != "OPENBLAS_NUM_THREADS"}
    environment |= {"OPENBLAS_NUM_THREADS": set_to} if set_to else {}
    done = subprocess.run(
        [sys.executable, "-c", NUMPY_LOADED],
        check=False, env=environment, capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    assert done.stdout.split("\n")[0] == f"threads {threads}", done.stderr


def test_help_lists_every_command() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "distsweep", "--help"],
        check=True,
        capture_output=True,
        text=True,
        timeout=60,
    )
    for name, purpose in COMMANDS.items():
        assert name in done.stdout
        assert purpose.split()[0] in done.stdout


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help(name: str) -> None:
    from distsweep.cli import group

    command = group.get_command(None, name)
    assert command is not None
    assert command.name == name
    assert command.help
    assert len(command.help.split()) >= 5
    for parameter in command.params:
        # Arguments are explained in the command's own text: by name, as shown in its usage.
        if parameter.param_type_name == "option":
            assert parameter.help, f"{name} {parameter.opts[-1]}"
        else:
            shown = (parameter.metavar or parameter.name.upper()).strip("[].").split("|")[0]
            assert shown in command.help, f"{name} {shown}"


def test_every_file_of_commands_is_a_command() -> None:
    files = {path.stem for path in (PACKAGE / "cli").glob("*.py")} - {"__init__"}
    assert {name for name in files if not name.startswith("_")} == set(COMMANDS)
