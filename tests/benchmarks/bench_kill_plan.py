"""A plan killed at every step between recording and entering: is all there afterwards, and once?

    PYTHONPATH=. python tests/benchmarks/bench_kill_plan.py [--every 3]

A child process captures a plan of two positions on a bench without devices, and ends, without any
cleaning up, before or after the n-th call that writes: a reservation, a recording's name, a line of
the record, the session's file. The same command then goes on. Each n (or every third) is one trial,
of a new plan, of a position recorded again, and of one rung recorded again. A trial is good if each
position is listed once and whole, no file of a killed process is left, and at most one rung was
recorded twice. Needs a system with ``fork``.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.append(str(Path(__file__).parent.parent / "unit"))
sys.path.append(str(Path(__file__).parent.parent))

from capture_bench import FakeBench
from plan_bench import NOBODY, listed, planned_session, run_plan

PLAN = "".join(
    f'[[positions]]\nposition = "{name}"\nstimuli = ["short.json"]\n' for name in ("axis", "port")
)
WRITERS = (
    "log",
    "give_name",
    "keep",
    "reserve",
    "write_whole_text",
    "add_table",
    "rewrite_take",
    "retire_takes",
)
KILLED = 137
RUNGS = 2

MODES: dict[str, tuple[tuple[str, ...], int]] = {
    "new": ((), 2 * RUNGS),
    "position again": (("--again", "port"), RUNGS),
    "rung again": (("--again", "port:1"), 1),
}
"""What the killed command is given, and how many rungs it would record."""


def end_at(number: int) -> None:
    """Have this process end before or after the call of a writer with that number."""
    calls = 0
    wrapped: dict[int, Callable[..., Any]] = {}

    def count() -> None:
        nonlocal calls
        calls += 1
        if calls == number:
            os._exit(KILLED)

    def ending(write: Callable[..., Any]) -> Callable[..., Any]:
        def either_side(*args: Any, **named: Any) -> Any:
            count()
            result = write(*args, **named)
            count()
            return result

        return either_side

    ours = [module for name, module in sys.modules.items() if name.startswith("distsweep")]
    for module in ours:
        for name in WRITERS:
            write = vars(module).get(name)
            if callable(write):
                setattr(module, name, wrapped.setdefault(id(write), ending(write)))


def killed(session: Path, number: int, options: tuple[str, ...]) -> bool:
    """Run the command in a process that ends at a call; tell whether it came so far."""
    child = os.fork()
    if child == 0:
        end_at(number)
        os._exit(run_plan(FakeBench(), session, *NOBODY, *options).exit_code)
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    assert code in (0, KILLED), code
    return code == KILLED


def rungs_recorded(session: Path) -> int:
    """How many whole rungs the record says were recorded."""
    lines = (session / "capture-log.jsonl").read_text().splitlines()
    kept = [event for event in map(json.loads, lines) if event["event"] == "recorded"]
    return sum(event["stop"] is None and "probe" not in event["file"] for event in kept)


def trouble(session: Path, most: int) -> str:
    """Go on with the plan; return what is not as it should be then, nothing where all is."""
    ran = run_plan(FakeBench(), session, *NOBODY)
    found = [(position, len(names), partial) for position, names, partial in listed(session)]
    if ran.exit_code:
        return ran.stderr.splitlines()[-1]
    if sorted(found) != [("axis", RUNGS, False), ("port", RUNGS, False)]:
        return f"listed: {found}"
    if list(session.glob(".*")):
        return f"left: {list(session.glob('.*'))}"
    count = rungs_recorded(session)
    return f"{count} rungs recorded, not {most}" if count > most else ""


def main() -> None:
    """Count."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--every", type=int, default=1)
    every = parser.parse_args().every
    with tempfile.TemporaryDirectory() as made:
        new = planned_session(Path(made) / "new", PLAN, [-55.0, -47.0])
        whole = Path(shutil.copytree(new, Path(made) / "whole"))
        assert run_plan(FakeBench(), whole, *NOBODY).exit_code == 0
        for mode, (options, rungs) in MODES.items():
            number, trials, bad = 1, 0, 0
            before = new if mode == "new" else whole
            former = 0 if mode == "new" else rungs_recorded(whole)
            while True:
                session = Path(shutil.copytree(before, Path(made) / "trial"))
                if not killed(session, number, options):
                    break
                # The rung that was being made when it was killed may be made again.
                what = trouble(session, former + rungs + 1)
                if what:
                    print(f"{mode}, killed at {number}: {what}")
                trials, bad, number = trials + 1, bad + bool(what), number + every
                shutil.rmtree(session)
            shutil.rmtree(session)
            print(f"{mode}: {trials} trials, {bad} bad", flush=True)


if __name__ == "__main__":
    main()
