"""Every number that analysis is governed by says where it comes from."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from test_walls import PACKAGE

ROOT = PACKAGE.parent
SOURCES = sorted((PACKAGE / "analysis").rglob("*.py"))

ORIGINS = {
    "chosen, with the reason behind it": r"\bchosen([:,;]\s+\w|(\s+[^\s)]*\w){3})",
    "chosen, with the reason before it": (
        r"(:|;|,\s+(as|because|since)|\bso\s+that)\s+(\S+\s+){2,}\S*\bchosen\b"
    ),
    "a standard with its number": r"\b(IEC|ISO|IEEE|ANSI|AES|ITU)[ -]?[A-Z]{0,3}\d",
    "a publication with its year": (
        r"(\b(?!Above|Below|Between|From|Over|Under)[A-Z][a-z]+|[,(])\s*"
        r"(18|19|20)\d\d\b(?!\s*(Hz|dB|ms|s|K|and|to)\b)"
    ),
    "a measurement or simulation, with what it gave": (
        r"\b([Mm]easured|[Ss]imulated)(:|\b[^.]*\d)|\d[^.]*\bsimulated\b"
    ),
    "a command": r"\btests/\w+/\w+\.py",
    "a formula or definition": r"\b(by|from|its)\s+(\S+\s+){0,2}(formula|definition)\b",
    "the contract": r"\(contract\)|\b(by|from)\s+the\s+contract\b",
    "memory": r"\bfrom\s+memory\b",
    "practice": r"\b[Cc]ommon\s+practice\b",
}
"""What counts as an origin, and how it is told from a mere description."""


def origins(text: str) -> list[str]:
    """Return the sorts of origin that a description gives."""
    lowered = re.sub(r"\bChosen\b", "chosen", text)
    return [name for name, pattern in ORIGINS.items() if re.search(pattern, lowered)]


def has_number(node: ast.AST) -> bool:
    """Tell whether an expression holds a number of its own, besides those of other constants."""
    return any(
        isinstance(inner, ast.Constant)
        and isinstance(inner.value, int | float)
        and not isinstance(inner.value, bool)
        for inner in ast.walk(node)
    )


NEUTRAL = (0, 0.0)
"""A field that starts at nothing is not set to anything."""


def constants(body: list[ast.stmt], own_text: str = "") -> Iterator[tuple[str, int, str]]:
    """Yield name, line and description of each number set in a module or a class.

    Several on lines that follow each other share the description below the last of them. Those of
    a class may be described in its own docstring. What is set inside functions is a formula's.
    """
    waiting: list[tuple[str, int]] = []
    last_line = 0
    for node in [*body, ast.Pass()]:
        if (
            isinstance(node, ast.Assign | ast.AnnAssign | ast.AugAssign)
            and node.value is not None
            and has_number(node.value)
            and not (own_text and isinstance(node.value, ast.Constant)
                     and node.value.value in NEUTRAL)
        ):  # fmt: skip
            if waiting and node.lineno > last_line + 1:  # a blank line parts it from those above
                yield from ((name, line, own_text) for name, line in waiting)
                waiting = []
            last_line = node.end_lineno or node.lineno
            target = node.targets[0] if isinstance(node, ast.Assign) else node.target
            waiting.append((ast.unparse(target), node.lineno))
            continue
        text = own_text
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            text = f"{node.value.value}\n{own_text}"
        for name, line in waiting:
            yield name, line, text
        waiting = []
        if isinstance(node, ast.ClassDef):
            yield from constants(node.body, ast.get_docstring(node) or "(no docstring)")
        elif isinstance(node, ast.FunctionDef):
            yield from defaults(node)
        elif isinstance(node, ast.If | ast.Try | ast.For | ast.With):
            branches = [getattr(node, name, []) for name in ("body", "orelse", "finalbody")]
            yield from constants([one for branch in branches for one in branch])


def defaults(function: ast.FunctionDef) -> Iterator[tuple[str, int, str]]:
    """Yield the numbers that a function's parameters have by default, but for 0 and ±1."""
    for value in (*function.args.defaults, *function.args.kw_defaults):
        if value is not None and has_number(value):
            number = value.operand if isinstance(value, ast.UnaryOp) else value
            if not (isinstance(number, ast.Constant) and number.value in (*NEUTRAL, 1, 1.0)):
                text = ast.get_docstring(function) or ""
                yield f"{function.name}({ast.unparse(value)})", function.lineno, text


@pytest.mark.parametrize("source", SOURCES, ids=lambda source: str(source.relative_to(PACKAGE)))
def test_every_number_says_where_it_comes_from(source: Path) -> None:
    tree = ast.parse(source.read_text(encoding="utf-8"))
    found = list(constants(tree.body))
    silent = [
        f"{name} (line {line}): {text.strip()[:60]!r}"
        for name, line, text in found
        if not origins(text)
    ]
    assert silent == []
    lacking = {
        command
        for _, _, text in found
        for command in re.findall(ORIGINS["a command"], text)
        if not (ROOT / command).is_file()
    }
    assert not lacking, "commands named as origins that are not there"


@pytest.mark.parametrize(
    ("text", "sort"),
    [
        ("Chosen, because a knee is wider.", "chosen, with the reason behind it"),
        ("Wide (chosen: as far as a room reaches).", "chosen, with the reason behind it"),
        ("Wide (chosen: as\nfar as a room reaches).", "chosen, with the reason behind it"),
        ("As near as this (chosen: rounding).", "chosen, with the reason behind it"),
        ("Half of it, as less is lost in the room (chosen).", "chosen, with the reason before it"),
        ("A-weighting at 1 kHz (IEC 61672-1:2013).", "a standard with its number"),
        ("Side lobes of −92 dB (Harris, Proc. IEEE 66(1), 1978).", "a publication with its year"),
        ("In a baffle (Norris, Sheng 1989).", "a publication with its year"),
        ("Measured on noise: 0.2 at 20 Hz.", "a measurement or simulation, with what it gave"),
        ("Fitted by ``tests/benchmarks/speed.py``.", "a command"),
        ("A curve has so many numbers, by its formula.", "a formula or definition"),
        ("A smaller loss is no onset (contract).", "the contract"),
    ],
)
def test_an_origin_is_recognised(text: str, sort: str) -> None:
    assert sort in origins(text)


@pytest.mark.parametrize(
    "text",
    [
        "", "Ends of the range.", "Ends of the range (chosen).", "Where the fit begins: chosen.",
        "The level chosen here.", "Up to 2000 Hz.", "Between 1900 and 2000 points.",
        "A measured level below this is none.", "The formula has so many terms.",
        "A standard deviation of so much.",
    ],
)  # fmt: skip
def test_a_mere_description_is_no_origin(text: str) -> None:
    assert origins(text) == []


def test_numbers_are_found_wherever_they_are_set() -> None:
    code = '''
Z = 1.0

A = 3.0
B, C = -1, {"x": (2, 3)}
"""Chosen: as far as a room reaches."""
D = A - B
E = 2 * A
lower: float = 1.5
WORDS, YES = "3", True
if D:
    F = 4
class Grid:
    """A grid, in steps (chosen: the window's own width)."""
    start: int = 0
    step: float = 0.5
class Bare:
    step: float = 0.5
    """Width of a step."""
    def width(self):
        return 2 * self.step
def wide(x, y=1.0, *, far=3.3):
    """Return what is far (chosen: as far as a room reaches)."""
def narrow(near=(1, 2)):
    """Return what is near."""
try:
    G = 5
except ImportError:
    pass
'''
    found = [(name, bool(origins(text))) for name, _, text in constants(ast.parse(code).body)]
    assert found == [
        ("Z", False), ("A", True), ("(B, C)", True), ("E", False), ("lower", False), ("F", False),
        ("step", True), ("step", False), ("wide(3.3)", True), ("narrow((1, 2))", False),
        ("G", False),
    ]  # fmt: skip
