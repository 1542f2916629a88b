"""Run the command line in this process and hold what it says against the rule for bad input."""

from __future__ import annotations

import re
import sys
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

import pytest

from distsweep.cli import main

# The last part of a message tells the reader what to do, or what the value must be.
REMEDY = re.compile(
    r"\b(add|calibrate|check|choose|copy|correct|did you mean|export|give|is it|keep|known are"
    r"|list|lower|make|must|needed|put|raise|record it|record at|save|set|so no|sort|write)\b"
)


@dataclass(frozen=True)
class Outcome:
    code: int
    stdout: str
    stderr: str

    @property
    def messages(self) -> list[str]:
        """What was said besides the progress, which names each take before it is read."""
        return [line for line in self.stderr.splitlines() if not line.startswith("take ")]


def run(capfd: pytest.CaptureFixture[str], *arguments: str | Path) -> Outcome:
    """Call ``main`` as the console script does; any exception but an exit is a traceback.

    Output is captured at the file descriptors, so that what a C library prints counts too, and
    warnings are errors here as in every test.
    """
    capfd.readouterr()
    with mock.patch.object(sys, "argv", ["distsweep", *map(str, arguments)]):
        try:
            main()
            code = 0
        except SystemExit as done:
            code = done.code if isinstance(done.code, int) else int(bool(done.code))
    captured = capfd.readouterr()
    return Outcome(code, captured.out, captured.err)


def files_below(folder: Path) -> set[Path]:
    """Every file, hidden ones too, so that a forgotten scratch file is seen."""
    return {path for path in folder.rglob("*") if path.is_symlink() or not path.is_dir()}


def assert_refused(outcome: Outcome, *, names: str, says: str = "") -> None:
    """Bad input: exit code 3 and one line that names the file and says what to do."""
    assert outcome.stdout == ""
    assert len(outcome.messages) == 1, outcome.stderr
    message = outcome.messages[0]
    assert message.startswith("distsweep: ")
    assert outcome.stderr.endswith(f"{message}\n")
    assert names in message
    assert re.search(says, message), message
    assert REMEDY.search(message.replace(names, "")), f"no remedy in: {message}"
    assert outcome.code == 3
