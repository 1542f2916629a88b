"""One measuring set-up run, measured and judged; the bars are those of benchmarks/bench_setups."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import numpy as np
from drawn_setups import BELIEVED_DB, RECIPE, Setup
from setup_person import Person, Question, Ran, run_command_line
from sound_parts import RATE_HZ

from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.write import write_stimulus

ASK_TO_TYPE_SPL_DB = 85.0
ASK_SPL_DB = 70.0
TOLERANCE_DB = 1.0
ENDED_WITHIN_S = 0.1
SPARE_BELOW_70_DB = 1.0
"""A set-up counts as below 70 dB SPL if it measures so far below: predictions are not perfect."""


@dataclass
class Outcome:
    """What came of a set-up; levels in dB SPL, measured at the microphone."""

    setup: Setup
    ran: Ran
    questions: list[Question]
    highest_db: float
    unasked_db: float
    confirmed_db: float
    allowed_db: float
    ended_after_s: float | None
    seconds: float
    sounded_after_no: bool
    misses: list[str] = field(default_factory=list)

    @property
    def excess_db(self) -> float:
        return self.highest_db - self.confirmed_db


def run_setup(setup: Setup, folder: Path) -> Outcome:
    """Run one set-up in a folder of its own and judge it."""
    started = time.monotonic()
    setup.write(folder)
    sidecar = write_stimulus(
        parse_recipe({**RECIPE, "sweep_s": setup.sweep_s}, "benchmark"), folder
    )[1][-1]
    world = setup.world
    person = None
    if setup.terminal:
        person = Person(world, gain=setup.gain_said, at_prompt=partial(_turn_up, setup))
    arguments = ["capture", str(folder), "--stimulus", str(sidecar), *setup.options()]
    ran = run_command_line(world, arguments, person)
    questions = person.questions if person is not None else []
    highest_db = max(0.0, world.meter.highest_db())  # 0: nothing was sent
    no = next((q for q in questions if q.kind == "speech" and q.answer == "no"), None)
    ended_after_s = None
    if world.raised_at is not None:
        ended_after_s = max(0, world.last_sounding_at - world.raised_at) / RATE_HZ
    outcome = Outcome(
        setup,
        ran,
        questions,
        highest_db,
        unasked_db=_unasked_db(setup, questions, highest_db),
        confirmed_db=_confirmed_db(setup, questions),
        allowed_db=TOLERANCE_DB,
        ended_after_s=ended_after_s,
        seconds=time.monotonic() - started,
        sounded_after_no=no is not None and world.last_sounding_at >= no.sent_samples_before,
    )
    outcome.allowed_db += _hidden_db(setup)
    outcome.misses = _misses(outcome)
    return outcome


def _turn_up(setup: Setup) -> None:
    setup.world.volume_db += setup.volume_at_prompt_db


def _confirmed_db(setup: Setup, questions: list[Question]) -> float:
    if not setup.terminal:
        return max(ASK_SPL_DB, setup.accept_level_db or 0.0)
    numbers = [q.number_db for q in questions if q.number_db is not None]
    if numbers:
        return max(numbers)
    if any(q.kind == "speech" and q.answer == "yes" for q in questions):
        return ASK_TO_TYPE_SPL_DB
    return ASK_SPL_DB


def _unasked_db(setup: Setup, questions: list[Question], highest_db: float) -> float:
    """Return the highest level that nobody was asked about; an option answers up to its number."""
    if questions:
        return questions[0].loudest_before_spl_db
    if not setup.terminal and highest_db <= (setup.accept_level_db or 0.0) + TOLERANCE_DB:
        return -np.inf
    return highest_db


def _hidden_db(setup: Setup) -> float:
    """Return the error that nothing could see, beyond what the program allows for."""
    if setup.seen or setup.method == "none":
        return 0.0
    error_db = setup.error_db
    if setup.automatic is not None:
        error_db += max(0.0, -setup.automatic.lowest_db)
    return max(0.0, error_db - BELIEVED_DB[setup.method])


def _misses(outcome: Outcome) -> list[str]:
    setup, ran = outcome.setup, outcome.ran
    found = []
    if ran.exit_code not in (0, 3, 4, 5) or "Traceback" in ran.stderr:
        found.append(f"exit code {ran.exit_code}")
    if any(question.kind == "unknown" for question in outcome.questions):
        found.append("a question that nobody understands")
    if outcome.sounded_after_no:
        found.append("it sounded after a no")
    if setup.seen and outcome.unasked_db > ASK_TO_TYPE_SPL_DB:
        found.append(f"{outcome.unasked_db:.1f} dB SPL unasked, though the error can be seen")
    if setup.kind == "volume mid-rung":
        return found + _misses_of_raise(outcome)
    if outcome.excess_db > outcome.allowed_db:
        found.append(f"{outcome.excess_db:+.1f} dB re what was confirmed")
    over_db = outcome.highest_db - setup.ceiling_spl_db
    if not setup.seen and over_db > outcome.allowed_db:
        found.append(f"{over_db:+.1f} dB re the ceiling")
    if setup.kind == "right":
        if ran.exit_code != 0:
            found.append("a right set-up was refused")
        quiet = outcome.highest_db <= ASK_SPL_DB - SPARE_BELOW_70_DB
        if setup.method == "calibrator" and quiet and outcome.questions:
            found.append("a question below 70 dB SPL")
    return found


def _misses_of_raise(outcome: Outcome) -> list[str]:
    if outcome.ended_after_s is None:
        return [] if outcome.ran.exit_code != 0 else ["the volume was never raised"]
    if outcome.ended_after_s <= ENDED_WITHIN_S:
        return []
    return [f"ended {1000.0 * outcome.ended_after_s:.0f} ms after the raise"]
