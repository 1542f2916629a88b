"""Random measuring set-ups, wrong and right: how loud does it get, and what was confirmed?

    python tests/benchmarks/bench_setups.py [--wrong 200] [--right 50] [--seed N] [--only N]

Each runs ``distsweep capture`` in this process on a simulated world (``sound_world.py``), in two
of three with an honest person at a terminal, in the others with options. Levels are the highest
RMS over 125 ms of the sound pressure at the microphone, from every sample that left. A line each,
then what missed a bar; the exit code is 1 if anything did.

The bars, in dB SPL. What counts as confirmed: the number typed, or given as --accept-level; 85
where only gain and probe were confirmed; 70 where nothing was asked.

- An error that can be seen: never above 85 without a question, and 1 above what was confirmed.
- An error that nothing can show: above what was confirmed by at most the error, less what the
  program allows for (1 for a calibrator, 10 for a data sheet), and 1.
- A right calibration (resonances, delays, a volume turned up at the prompt among them): 1 above
  what was confirmed, and 1 above the ceiling.
- A volume raised while a rung sounds: nothing sounds 100 ms later.
- A right set-up: captured; no question where it stays below 70 by a calibrator.
- Always: exit codes 0, 3, 4 or 5, no question that nobody understands, no sound after a "no".
"""

from __future__ import annotations

import argparse
import collections
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from drawn_setups import draw_right
from judged_setups import TOLERANCE_DB, Outcome, run_setup
from setup_person import Ran
from wrong_setups import draw_wrong


def line_of(number: int, outcome: Outcome) -> str:
    """Say in a line what a set-up was and what came of it."""
    setup = outcome.setup
    asked = "".join(f"{q.kind[0]}{q.answer if q.number_db else ''} " for q in outcome.questions)
    if not setup.terminal and setup.accept_level_db is not None:
        asked = f"--accept-level {setup.accept_level_db:g} "
    wanted = (
        f"{setup.levels_spl_db[-1]:g} dB SPL"
        if setup.levels_spl_db
        else f"{setup.drives_dbfs[-1]:g} dBFS"
    )
    what = f"{setup.kind} {setup.detail}, {setup.place}, {setup.method}, {wanted}"
    sight = "right" if setup.kind == "right" else f"seen: {setup.seen}" if setup.seen else "unseen"
    raised = ""
    if outcome.ended_after_s is not None:
        raised = f" ended after {1000.0 * outcome.ended_after_s:.0f} ms;"
    return (
        f"{number:4d} {what}; {sight}; exit {outcome.ran.exit_code}; {asked or 'not asked '}|"
        f" highest {outcome.highest_db:.1f}, {outcome.excess_db:+.1f} re confirmed"
        f" {outcome.confirmed_db:g}, hidden {outcome.allowed_db - TOLERANCE_DB:.1f};{raised}"
        f" {outcome.seconds:.1f} s{' MISSED: ' * bool(outcome.misses)}{'; '.join(outcome.misses)}"
        f" [{_last_line(outcome.ran)}]"
    )


def _last_line(ran: Ran) -> str:
    lines = [line for line in ran.stderr.splitlines() if line.strip()]
    return lines[-1][:150] if lines else ""


def summary(outcomes: list[Outcome]) -> str:
    """Return what there is to say of all set-ups."""
    right = [o for o in outcomes if o.setup.kind == "right"]
    wrong = [o for o in outcomes if o.setup.kind != "right"]
    seen = [o for o in wrong if o.setup.seen]
    unseen = [o for o in wrong if not o.setup.seen and o.allowed_db > TOLERANCE_DB]
    true = [o for o in outcomes if not o.setup.seen and o.allowed_db == TOLERANCE_DB
            and o.setup.kind != "volume mid-rung"]  # fmt: skip
    raised = [o for o in wrong if o.ended_after_s is not None]
    lines = [
        f"right: {len(right)}, refused {sum(o.ran.exit_code != 0 for o in right)}",
        f"wrong, seen: {len(seen)}, captured {sum(o.ran.exit_code == 0 for o in seen)},"
        f" highest unasked {_most([o.unasked_db for o in seen])} dB SPL,"
        f" highest re confirmed {_most([o.excess_db for o in seen])} dB",
        f"wrong, unseen: {len(unseen)}, highest {_most([o.highest_db for o in unseen])} dB SPL,"
        f" re confirmed {_most([o.excess_db for o in unseen])} dB, largest hidden error"
        f" {_most([o.allowed_db - TOLERANCE_DB for o in unseen])} dB",
        f"right calibration (right set-ups and others): {len(true)}, highest re confirmed"
        f" {_most([o.excess_db for o in true])} dB",
        f"volume raised mid-rung: {len(raised)}, ended after at most"
        f" {_most([1000.0 * (o.ended_after_s or 0.0) for o in raised])} ms",
        f"longest run {_most([o.seconds for o in outcomes])} s",
    ]
    missed: collections.Counter[str] = collections.Counter()
    for outcome in outcomes:
        if outcome.misses:
            missed[outcome.setup.kind] += 1
    lines.append(f"missed a bar: {sum(missed.values())} of {len(outcomes)}")
    lines += [f"  {kind}: {count}" for kind, count in missed.most_common()]
    lines += ["unseen, above what was confirmed:"] * bool(unseen)
    lines += [
        f"  {o.excess_db:+5.1f} dB (error {o.allowed_db - TOLERANCE_DB:.1f}): {o.setup.kind}"
        f" {o.setup.detail}, highest {o.highest_db:.1f} dB SPL"
        for o in sorted(unseen, key=lambda o: -o.excess_db)
        if o.excess_db > TOLERANCE_DB
    ]
    return "\n".join(lines)


def _most(values: list[float]) -> str:
    return f"{max(values):.1f}" if values else "none of"


def one(job: tuple[str, int]) -> Outcome:
    """Draw, run and judge one set-up; what cannot be sent between processes is dropped."""
    which, seed = job
    setup = draw_right(seed) if which == "right" else draw_wrong(seed)
    with tempfile.TemporaryDirectory() as name:
        outcome = run_setup(setup, Path(name) / "session")
    setup.world = None  # type: ignore[assignment]
    return outcome


def main() -> int:
    """Run, print, and return the exit code."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--wrong", type=int, default=200)
    parser.add_argument("--right", type=int, default=50)
    parser.add_argument("--seed", type=int, default=None)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--only", type=int, help="Run the set-up of this number, and show all.")
    given = parser.parse_args()
    seed = given.seed
    if seed is None:
        seed = int(np.random.default_rng().integers(10_000, 2**31))
    print(f"seed {seed}", flush=True)
    jobs = [("wrong", seed + i) for i in range(given.wrong)]
    jobs += [("right", seed + i) for i in range(given.right)]
    if given.only is not None:
        outcome = one(jobs[given.only])
        print(outcome.ran.stderr, *outcome.questions, line_of(given.only, outcome), sep="\n")
        return 1 if outcome.misses else 0
    outcomes = []
    with ProcessPoolExecutor(given.workers) as pool:
        for number, outcome in enumerate(pool.map(one, jobs)):
            outcomes.append(outcome)
            print(line_of(number, outcome), flush=True)
    print(summary(outcomes))
    return 1 if any(outcome.misses for outcome in outcomes) else 0


if __name__ == "__main__":
    sys.exit(main())
