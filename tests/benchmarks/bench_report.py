"""How much CPU time a report takes, and how large its page is: four takes of ten rungs each.

Run ``python tests/benchmarks/bench_report.py RESULTS [--workers N]`` with the ``results.json`` of a
session that has a ladder on the axis (of ``distsweep demo``, for instance). It prints the same for
that report itself. The ladder's rungs are copied to ten, drives and levels moved 3 dB apart, and
the take to four positions. As in every report, the first has all its figures, those aside the usual
ones (`distsweep.report.chosen_figures`). CPU seconds are those of ``write_report``, with what it
imports, in a process of its own and those that it starts; what reading the results takes stands
beside.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from distsweep.results import Results, Rung, Take, read_results, write_results

RUNGS, STEP_DB = 10, 3.0
POSITIONS = ("axis", "15 degrees", "30 degrees", "45 degrees")
WRITE = """
import resource, sys, time
from pathlib import Path
from distsweep.results import read_results
if __name__ == "__main__":
    results = read_results(Path(sys.argv[1]))
    before = time.process_time()
    from distsweep.report import write_report
    write_report(results, Path(sys.argv[2]), workers=int(sys.argv[3]))
    others = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(time.process_time() - before + others.ru_utime + others.ru_stime, before)
"""


def ten_rungs(take: Take) -> Take:
    """Copy a ladder's rungs to ten; the loudest keeps its drive."""
    count, loudest = len(take.rungs), take.rungs[-1].drive_dbfs
    sources = np.rint(np.linspace(0, count - 1, RUNGS)).astype(int).tolist()
    drives = [loudest - STEP_DB * (RUNGS - 1 - k) for k in range(RUNGS)]
    rungs = [moved(take.rungs[s], drive) for s, drive in zip(sources, drives, strict=True)]
    compression = take.compression
    assert compression is not None, "the ladder has no gain change"

    def each(parts: Sequence[np.ndarray]) -> list[np.ndarray]:  # type: ignore[type-arg]
        return [parts[source] for source in sources]

    return replace(
        take,
        rungs=rungs,
        compression=replace(
            compression,
            reference_drive_dbfs=drives[0],
            gain_change_db=each(compression.gain_change_db),
            gain_change_low_db=each(compression.gain_change_low_db),
            gain_change_high_db=each(compression.gain_change_high_db),
        ),
    )


def moved(rung: Rung, drive_dbfs: float) -> Rung:
    """A rung as at another drive, had nothing else changed."""
    change_db = drive_dbfs - rung.drive_dbfs
    parts = ("fundamental_db", "fundamental_low_db", "fundamental_high_db")
    levels = {name: getattr(rung, name) + change_db for name in parts}
    spl_db = None if rung.spl_db is None else rung.spl_db + change_db
    return replace(rung, drive_dbfs=drive_dbfs, spl_db=spl_db, **levels)


def four_takes(results: Results) -> Results:
    take = ten_rungs(next(t for t in results.takes if t.position == "axis" and t.rungs))
    takes = [replace(take, position=position) for position in POSITIONS]
    return replace(results, takes=takes, agreement=[], limiter_agreement=[])


def report(results: Results, name: str, workers: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        write_results(results, place / "results.json")
        done = subprocess.run(
            [sys.executable, "-c", WRITE, str(place / "results.json"), str(place / "report"),
             str(workers)], check=True, capture_output=True, text=True,
        )  # fmt: skip
        page = place / "report" / "report.html"
        seconds, reading = map(float, done.stdout.split())
        figures = len(list((place / "report" / "figures").glob("*.svg")))
        rungs = "+".join(str(len(take.rungs)) for take in results.takes if take.rungs)
        print(
            f"{name}: {rungs} rungs, {figures} figures, {seconds:.2f} s CPU"
            f" (and {reading:.2f} s to start and read), page {page.stat().st_size / 1e6:.2f} MB"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument("results", type=Path)
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    results = read_results(given.results)
    report(results, "as given", given.workers)
    report(four_takes(results), "four takes of ten rungs", given.workers)


if __name__ == "__main__":
    main()
