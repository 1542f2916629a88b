"""Every `Reason` that a source makes, read from its text: code, names of values, and place."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Made:
    """A reason as it is written: ``open`` says that more values come in by ``**``."""

    code: str
    names: frozenset[str]
    open: bool
    place: str


def reasons_made(source: Path) -> Iterator[Made]:
    """Yield the reasons of a source, one for each code that a variable may hold.

    A code is a literal; or a variable to which the function assigns literals; or a parameter for
    which the source's calls of the function give literals.
    """
    tree = ast.parse(source.read_text(encoding="utf-8"))
    functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
    for node in ast.walk(tree):
        if not (isinstance(node, ast.Call) and ast.unparse(node.func) == "Reason"):
            continue
        place = f"{source.stem}:{node.lineno}"
        (code,) = node.args
        names = frozenset(word.arg for word in node.keywords if word.arg is not None)
        codes = _literals(code)
        if isinstance(code, ast.Name):
            (function,) = (f for f in functions if node in list(ast.walk(f)))
            codes = _codes_of(code.id, function, tree)
        assert codes, f"{place}: the code of a reason is a literal, or a name for some"
        for one in codes:
            yield Made(one, names, len(names) < len(node.keywords), place)


def _codes_of(name: str, function: ast.FunctionDef, tree: ast.Module) -> list[str]:
    parameters = [argument.arg for argument in function.args.args]
    if name in parameters:
        given = [
            call.args[parameters.index(name)]
            for call in ast.walk(tree)
            if isinstance(call, ast.Call) and ast.unparse(call.func) == function.name
        ]
    else:
        given = [
            node.value
            for node in ast.walk(function)
            if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == name
        ]
    return [code for value in given for code in _literals(value)]


def _literals(value: ast.expr) -> list[str]:
    if isinstance(value, ast.Constant) and isinstance(value.value, str):
        return [value.value]
    if isinstance(value, ast.IfExp):
        return [*_literals(value.body), *_literals(value.orelse)]
    return []
