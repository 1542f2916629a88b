"""Captures killed at random moments: is every rung that was complete found by the next one?

    PYTHONPATH=. python tests/benchmarks/bench_kill.py [--count 50] [--speed 10] [--seed N]

Each trial starts the whole command line in a process of its own, on a bench without devices
whose blocks come ``--speed`` times as fast as real ones (`tests/unit/paced_capture.py`), and
ends it by SIGKILL after a random time, evenly spread from its start to when it would have
ended. The bench itself writes down, synchronised, which rungs were complete: their last sample
had come in. The next capture then runs to its end; every third one is killed as well, within
its first seconds, and a third follows. Counted are complete rungs of killed captures that are in
the session afterwards, each at its own drive and at the level that it has in the capture that
nothing disturbed.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

UNIT = Path(__file__).parent.parent / "unit"
sys.path.append(str(UNIT))

from capture_bench import (  # noqa: E402
    calibrated_session,
    run_main,
    write_short_stimulus,
)

DRIVES_DBFS = (-58.0, -55.0, -52.0, -49.0, -46.0, -43.0)
"""Six rungs, none at the probe's −60 dBFS, so that a peak tells which rung it was."""

SPL_AT_0DBFS_DB = 110.0
"""Level of a full-scale sine at the bench's input."""

LEVEL_TOLERANCE_DB = 0.1
"""Chosen: rungs are 3 dB apart, and the bench's noise moves their levels by a hundredth."""

WITHIN_S = 3.0
"""When a second capture is killed: while it starts, recovers, probes and begins."""


QUICK = 1000.0
"""Speed of the capture that ends: as fast as it goes."""


@dataclass
class Trial:
    """What came of one trial: complete rungs, those found, others found, and what is wrong."""

    complete: int = 0
    found: int = 0
    more: int = 0
    cut_off: int = 0
    killed_after_s: list[float] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)


def start(
    session: Path, sidecar: Path, heard: Path, speed: float, position: str
) -> subprocess.Popen[str]:
    """Start a capture in a process of its own."""
    levels = " and ".join(f"{drive:g}" for drive in DRIVES_DBFS)
    return subprocess.Popen(
        [
            *(sys.executable, str(UNIT / "paced_capture.py"), str(speed), str(heard)),
            *("--", "capture", str(session), "--stimulus", str(sidecar)),
            *("--input", "0", "--output", "bench", f"--levels-dbfs={levels}"),
            *("--position", position, "--accept-level", "100"),
        ],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(UNIT), *sys.path])},
    )


def completed(heard: Path) -> list[float]:
    """Return the drives of the rungs whose last sample had come in."""
    if not heard.exists():
        return []
    peaks = [float(line.split()[1]) for line in heard.read_text().splitlines()]
    return [d for d in DRIVES_DBFS if any(abs(d - peak) < 0.5 for peak in peaks)]


def kill_after(process: subprocess.Popen[str], wait_s: float) -> bool:
    """Kill a process after a time; False where it had ended by itself."""
    try:
        process.communicate(timeout=wait_s)
    except subprocess.TimeoutExpired:
        process.send_signal(signal.SIGKILL)
        process.communicate()
        return True
    return False


def run_trial(folder: Path, sidecar: Path, waits_s: list[float], speed: float) -> Trial:
    """Kill a capture, and the next ones as often as there are waits; then let one end."""
    session = calibrated_session(folder / "session", SPL_AT_0DBFS_DB)
    trial = Trial()
    for number, wait_s in enumerate(waits_s):
        heard = folder / f"heard-{number}"
        if kill_after(start(session, sidecar, heard, speed, f"killed {number}"), wait_s):
            trial.killed_after_s.append(wait_s)
    last = start(session, sidecar, folder / "heard-last", QUICK, "last")
    _, err = last.communicate(timeout=300)
    if last.returncode != 0:
        trial.faults.append(f"the next capture ended with {last.returncode}: {err[-300:]}")
        return trial
    ran = run_main("analyse", str(session), "--no-report", "--json", "-")
    if ran.exit_code != 0:
        trial.faults.append(f"the session cannot be analysed: {ran.stderr}")
        return trial
    takes = json.loads(ran.stdout)["takes"]
    # The capture that nothing disturbed tells which level belongs to a drive.
    undisturbed = [rung for take in takes if take["position"] == "last" for rung in take["rungs"]]
    if [rung["drive_dbfs"] for rung in undisturbed] != list(DRIVES_DBFS):
        trial.faults.append("the last capture is not whole")
        return trial
    spl_db = {rung["drive_dbfs"]: rung["spl_db"] for rung in undisturbed}
    for number in range(len(waits_s)):
        count(trial, completed(folder / f"heard-{number}"), takes, f"killed {number}", spl_db)
    if len({take["position"] for take in takes}) < len(takes):
        trial.faults.append("a capture is in the session twice")
    trial.cut_off = len(list(session.glob("*-partial*.wav")))
    left = [path.name for path in session.glob(".*")]
    if left:
        trial.faults.append(f"left behind: {left}")
    return trial


def count(
    trial: Trial,
    complete: list[float],
    takes: list[dict[str, Any]],
    position: str,
    spl_db: dict[float, float],
) -> None:
    """Count the rungs of one capture that are in the session with the level they must have."""
    found = set()
    for rung in [r for take in takes if take["position"] == position for r in take["rungs"]]:
        drive_dbfs = rung["drive_dbfs"]
        off_db = rung["spl_db"] - spl_db[drive_dbfs]
        if abs(off_db) <= LEVEL_TOLERANCE_DB:
            found.add(drive_dbfs)
        else:
            trial.faults.append(f"{position}: {drive_dbfs} dBFS is off by {off_db:.2f} dB")
    trial.complete += len(complete)
    trial.found += len(found & set(complete))
    trial.more += len(found - set(complete))
    if not set(complete) <= found:
        trial.faults.append(f"{position}: complete {complete}, found {sorted(found)}")


def main() -> None:
    """Run all trials and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=50)
    parser.add_argument("--speed", type=float, default=10.0)
    parser.add_argument("--seed", type=int, default=None)
    given = parser.parse_args()
    seed = random.randrange(10**6) if given.seed is None else given.seed
    rng = random.Random(seed)
    total, kills, faulty = Trial(), 0, 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        sidecar = write_short_stimulus(folder)
        began = time.monotonic()
        alone = calibrated_session(folder / "alone", SPL_AT_0DBFS_DB)
        start(alone, sidecar, folder / "heard", given.speed, "axis").communicate()
        whole_s = time.monotonic() - began
        print(f"seed {seed}; a capture takes {whole_s:.1f} s at {given.speed:g} times real time")
        for number in range(given.count):
            waits_s = [rng.uniform(0.0, whole_s)]
            if number % 3 == 2:
                waits_s.append(rng.uniform(0.0, min(WITHIN_S, whole_s)))
            (folder / str(number)).mkdir()
            trial = run_trial(folder / str(number), sidecar, waits_s, given.speed)
            kills += len(trial.killed_after_s)
            faulty += bool(trial.faults)
            for key in ("complete", "found", "more", "cut_off"):
                setattr(total, key, getattr(total, key) + getattr(trial, key))
            after = ", ".join(f"{wait_s:.2f} s" for wait_s in trial.killed_after_s) or "never"
            print(
                f"{number + 1:3d}: killed after {after}: {trial.complete} complete,"
                f" {trial.found} found, {trial.more} more {'; '.join(trial.faults)}",
                flush=True,
            )
    print(
        f"{kills} kills in {given.count} sessions: {total.found} of {total.complete} complete rungs"
        f" found ({total.more} more, whole on the disk), {total.cut_off} cut-off recordings"
        f" kept, {faulty} sessions with faults"
    )
    sys.exit(1 if faulty else 0)


if __name__ == "__main__":
    main()
