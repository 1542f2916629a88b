"""Whether the machine stood still during a test that runs in real time.

A sound card has a clock of its own; the server and the loudspeaker that stand in for one here are
processes, and a busy machine may leave them waiting. What they lose then is lost for the program
under test as well. Two witnesses, which do not ask the program: a process that wakes every
hundredth of a second and says so when it slept too long, and the loudspeaker of the rig, whose log
tells when blocks came late or the server ran out of samples.

A test that failed while a witness saw the machine stand still is run again, twice at most; one
that fails on a machine that runs is a failure at once. Each repetition is printed where there is a
terminal.
"""

from __future__ import annotations

import contextlib
import os
import re
import subprocess
import sys
import time
from pathlib import Path

import pytest
from _pytest.runner import runtestprotocol

WAKES_S = 0.01
LATE_S = 0.05
"""Ten blocks of the server (chosen: on a machine that has nothing else to do none is late)."""

TRIES = 3
SIGNS = re.compile(r"LATE by [0-9.]+ s|Stream underrun")

logs: list[Path] = []
"""What the loudspeakers of the test that runs have written so far."""


class Heartbeat:
    """A process that wakes regularly, for as long as a test runs."""

    def __enter__(self) -> Heartbeat:
        self._process = subprocess.Popen(
            [sys.executable, __file__], stderr=subprocess.PIPE, text=True
        )
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self.said = self._process.communicate()[1]


def seen(said: str) -> list[str]:
    """Return what the witnesses said of a machine that stood still."""
    texts = [said, *(path.read_text(errors="replace") for path in logs if path.exists())]
    return [sign for text in texts for sign in SIGNS.findall(text)]


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_protocol(item: pytest.Item, nextitem: pytest.Item | None) -> bool | None:
    """Run a test in real time; again where the machine stood still and it failed."""
    if not item.get_closest_marker("real_time"):
        return None
    item.ihook.pytest_runtest_logstart(nodeid=item.nodeid, location=item.location)
    for left in reversed(range(TRIES)):
        logs.clear()
        item._initrequest()  # type: ignore[attr-defined]  # fixtures are made anew
        with Heartbeat() as heartbeat:
            reports = runtestprotocol(item, nextitem=nextitem, log=False)
        still = seen(heartbeat.said)
        if not left or not still or not any(report.failed for report in reports):
            break
        line = f"{item.nodeid} is run again, as the machine stood still: {'; '.join(still)}"
        # Where tests run side by side their processes have no terminal.
        terminal = item.config.pluginmanager.get_plugin("terminalreporter")
        if terminal is not None:
            terminal.write_line(f"\n{line}")
    for report in reports:
        item.ihook.pytest_runtest_logreport(report=report)
    item.ihook.pytest_runtest_logfinish(nodeid=item.nodeid, location=item.location)
    return True


def main() -> None:
    with contextlib.suppress(OSError):  # as much before others as the program under test
        os.setpriority(os.PRIO_PROCESS, 0, -10)
    last_s = time.monotonic()
    while True:
        time.sleep(WAKES_S)
        now_s = time.monotonic()
        if now_s - last_s > WAKES_S + LATE_S:
            print(f"LATE by {now_s - last_s - WAKES_S:.2f} s", file=sys.stderr, flush=True)
        last_s = now_s


if __name__ == "__main__":
    main()
