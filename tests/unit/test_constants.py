"""Every number that analysis is governed by says where it comes from."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from test_walls import PACKAGE

SOURCES = sorted((PACKAGE / "analysis").rglob("*.py"))

ORIGIN = re.compile(
    r"""\bchosen\b[^.]*[:,(;]?\s*\S     # chosen, and why
    | \b(IEC|ISO|IEEE|ANSI|AES|JAES|JASA|Proc\.|Biometrika|PNAS|IACS|GUM)\b  # published
    | \b(19|20)\d\d\b                   # published, by its year
    | \b[Mm]easured\b | \b[Ss]imulated\b
    | tests/benchmarks/\w+\.py
    | \bformula\b | \bdefinition\b | \bcontract\b | \bfrom\ memory\b | \bcommon\ practice\b
    """,
    re.VERBOSE,
)
"""Words by which a number's description says its origin."""


def numbers(node: ast.AST) -> bool:
    """Tell whether an expression holds a number other than those of an index or a power."""
    return any(
        isinstance(inner, ast.Constant)
        and isinstance(inner.value, int | float)
        and not isinstance(inner.value, bool)
        for inner in ast.walk(node)
    )


def constants(tree: ast.Module) -> Iterator[tuple[str, int, str]]:
    """Yield name, line and description of each number that a module defines at its top.

    Several that follow each other share the description below the last of them.
    """
    waiting: list[tuple[str, int]] = []
    for node in tree.body:
        text = None
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            text = node.value.value if isinstance(node.value.value, str) else None
        if text is not None:
            for name, line in waiting:
                yield name, line, text
            waiting = []
            continue
        targets: list[ast.expr] = []
        if isinstance(node, ast.Assign):
            targets = node.targets
        elif isinstance(node, ast.AnnAssign) and node.value is not None:
            targets = [node.target]
        if targets and numbers(node):
            names = ast.unparse(targets[0])
            if names.strip("()").replace("_", "").split(",")[0].isupper() or "_" in names:
                waiting.append((names, node.lineno))
            continue
        for name, line in waiting:
            yield name, line, ""
        waiting = []
    for name, line in waiting:
        yield name, line, ""


@pytest.mark.parametrize("source", SOURCES, ids=lambda source: str(source.relative_to(PACKAGE)))
def test_every_number_says_where_it_comes_from(source: Path) -> None:
    tree = ast.parse(source.read_text(encoding="utf-8"))
    silent = [
        f"{name} (line {line}): {text.strip()[:60]!r}"
        for name, line, text in constants(tree)
        if not ORIGIN.search(text)
    ]
    assert silent == []


@pytest.mark.parametrize(
    ("code", "origin"),
    [
        ('A = 3.0\n"""Chosen, because a knee is wider."""', True),
        ('A = 3.0\n"""A-weighting at 1 kHz (IEC 61672-1:2013)."""', True),
        ('A, B = 3.0, 4.0\n"""Ends of the range."""', False),
        ("A = 3.0", False),
        ('A = 3.0\nB = 4.0\n"""Chosen: as far as a room reaches."""', True),
    ],
)
def test_an_origin_is_told_from_a_mere_description(code: str, origin: bool) -> None:
    found = list(constants(ast.parse(code)))
    assert found
    assert all(bool(re.search(ORIGIN, text.lower() if "hosen" in text else text)) == origin
               for _, _, text in found)  # fmt: skip
