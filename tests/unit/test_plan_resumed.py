"""Going on with a plan after a stop: what was changed, moved or killed in between."""

from __future__ import annotations

import errno
import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from capture_bench import SHORT_RECIPE, FakeBench
from plan_bench import (
    LADDER_DBFS,
    NOBODY,
    TONES,
    Terminal,
    listed,
    planned_session,
    run_plan,
    sounded_dbfs,
    stopping_at,
)

from distsweep.capture import take
from distsweep.capture.background_files import BackgroundFiles
from distsweep.capture.session_lock import session_lock
from distsweep.errors import SafetyRefusal
from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.write import write_stimulus
from distsweep.takes.session import read_session

PLAN = '[[positions]]\nposition = "axis"\nstimuli = ["short.json"]\n'


@pytest.fixture(scope="module")
def stopped_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session whose only take was stopped in its third rung."""
    session = planned_session(tmp_path_factory.mktemp("stopped") / "s", PLAN)
    assert run_plan(FakeBench(fault=stopping_at(-39.0)), session, *NOBODY).exit_code == 130
    return session


@pytest.fixture
def stopped(stopped_once: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(stopped_once, tmp_path / "stopped"))


def edit(session: Path, former: str, new: str) -> None:
    file = session / "session.toml"
    text = file.read_text()
    assert former in text
    file.write_text(text.replace(former, new))


def forget(session: Path, *kinds: str) -> None:
    """Take events out of the record, as if the process had been killed before they were noted."""
    log = session / "capture-log.jsonl"
    lines = log.read_text().splitlines(keepends=True)
    log.write_text("".join(line for line in lines if json.loads(line)["event"] not in kinds))


def changed_levels(session: Path) -> None:
    edit(session, 'stimuli = ["short.json"]\n', 'stimuli = ["short.json"]\nlevels_dbfs = "-55"\n')


def another(recipe: dict[str, object]) -> Callable[[Path], None]:
    """Return what puts another stimulus in the place of the plan's."""

    def change(session: Path) -> None:
        for file in session.glob("short*"):
            file.unlink()
        write_stimulus(parse_recipe({**recipe, "name": "short"}, "test"), session)

    return change


LADDER = {**SHORT_RECIPE, "levels_dbfs": LADDER_DBFS}


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (changed_levels, "axis was begun with another list of levels"),
        (another({**LADDER, "sweep_s": 0.7}), "axis was begun with another stimulus"),
        (another({**LADDER, "rate_hz": 44100}), "this capture runs at 44100 Hz"),
        (another(TONES), "axis was begun with another stimulus"),
        (lambda session: (session / "short.json").unlink(), "short.json"),
        (lambda session: (session / "axis.json").unlink(), "axis.json"),
    ],
)
def test_the_rest_of_another_measurement_is_not_played(
    stopped: Path, change: Callable[[Path], None], said: str
) -> None:
    change(stopped)
    before = (stopped / "session.toml").read_bytes()
    bench = FakeBench()
    ran = run_plan(bench, stopped, *NOBODY)
    assert (ran.exit_code, bench.sent) == (3, []), ran.stderr
    assert said in ran.stderr
    assert (stopped / "session.toml").read_bytes() == before


def test_a_level_that_creeps_is_held_against_the_first(stopped: Path) -> None:
    """Each time by less than what is refused: the sum is not."""
    bench = FakeBench(gain_db=-9.2, fault=stopping_at(-39.0))
    assert run_plan(bench, stopped, *NOBODY).exit_code == 130
    bench = FakeBench(gain_db=-8.4)
    ran = run_plan(bench, stopped, *NOBODY)
    assert ran.exit_code == 3
    assert "re when this take was begun" in ran.stderr


def test_a_rung_that_was_kept_and_not_judged_has_its_level(stopped: Path) -> None:
    forget(stopped, "rung")
    bench = FakeBench(gain_db=-8.0)
    assert run_plan(bench, stopped, *NOBODY).exit_code == 3
    assert max(sounded_dbfs(bench)) < -39.5


def test_a_recording_that_is_gone_is_made_again(stopped: Path) -> None:
    (stopped / "axis-01.wav").unlink()
    bench = FakeBench()
    ran = run_plan(bench, stopped, *NOBODY)
    assert ran.exit_code == 0, ran.stderr
    assert "1 of 3 rungs there" in ran.stderr
    assert [line.split(",")[0] for line in ran.stderr.splitlines() if line.startswith("rung")] == [
        "rung 1/3",
        "rung 3/3",
    ]


@pytest.mark.parametrize("partial", [True, False])
def test_a_take_that_was_listed_and_not_noted_is_there(stopped: Path, partial: bool) -> None:
    if not partial:
        assert run_plan(FakeBench(), stopped, *NOBODY).exit_code == 0
    forget(stopped, "take")
    bench = FakeBench()
    assert run_plan(bench, stopped, *NOBODY).exit_code == 0
    assert listed(stopped) == [("axis", [f"axis-0{n}.wav" for n in (1, 2, 3)], False)]
    assert sum(db > -39.9 for db in sounded_dbfs(bench)) == partial


def test_a_position_under_another_name_is_there(stopped: Path) -> None:
    edit(stopped, 'position = "axis"', 'position = "on axis"  # renamed')
    (stopped / "session.toml").write_bytes(
        (stopped / "session.toml").read_bytes().replace(b"\n", b"\r\n")
    )
    bench = FakeBench()
    ran = run_plan(bench, stopped, *NOBODY)
    assert ran.exit_code == 0, ran.stderr
    assert listed(stopped) == [("on axis", [f"axis-0{n}.wav" for n in (1, 2, 3)], False)]
    assert b"# a remark that must stay\r\n" in (stopped / "session.toml").read_bytes()


def test_a_whole_take_of_other_levels_is_kept_and_said(stopped: Path) -> None:
    assert run_plan(FakeBench(), stopped, *NOBODY).exit_code == 0
    changed_levels(stopped)
    bench = FakeBench()
    ran = run_plan(bench, stopped, *NOBODY)
    assert (ran.exit_code, bench.sent) == (0, [])
    assert "recorded with another list of levels: --again is for it" in ran.stderr


def test_a_take_is_the_first_placement_once_the_plan_has_others(stopped: Path) -> None:
    """Else the analysis, which counts noted placements, would leave it out."""
    assert run_plan(FakeBench(), stopped, *NOBODY).exit_code == 0
    edit(stopped, 'stimuli = ["short.json"]\n', 'stimuli = ["short.json"]\nplacements = 2\n')
    bench = FakeBench()
    assert run_plan(bench, stopped, *NOBODY, "--placement", "1").exit_code == 0
    assert bench.sent == []
    assert [take.placement for take in read_session(stopped).takes] == [1]


def bang_in_the_first(number: int, count: int, heard: np.ndarray) -> np.ndarray:
    return heard + 0.3 * np.sin(0.3 * np.arange(len(heard))) if number == 1 else heard


def test_a_tone_does_not_begin_far_above_a_softer_probe(tmp_path: Path) -> None:
    session = planned_session(tmp_path / "s", PLAN.replace("short", "tones"))

    def second_tone(number: int, _count: int, heard: np.ndarray) -> np.ndarray:
        if number == 3 and np.max(np.abs(heard)) > 10 ** (-68.0 / 20):
            raise KeyboardInterrupt
        return heard

    assert run_plan(FakeBench(fault=second_tone), session, *NOBODY).exit_code == 130
    bench = FakeBench(fault=bang_in_the_first)
    ran = run_plan(bench, session, *NOBODY)
    assert ran.exit_code == 3
    assert "the probe went only to −70" in ran.stderr
    assert max(sounded_dbfs(bench)) < -59.9


def test_a_calibration_made_meanwhile_is_not_passed_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The session is held while somebody is asked; an edited file is noticed."""
    session = planned_session(tmp_path / "s", PLAN)
    bench = FakeBench()

    def edited(*_: object) -> str:
        with (
            pytest.raises(SafetyRefusal, match="under way"),
            session_lock(session, doing="another"),
        ):
            pass
        edit(session, 'file = "calibration.json"', "pascal_per_fs = 1.0")
        return "\n"

    monkeypatch.setattr(Terminal, "readline", edited)
    ran = run_plan(bench, session, typed="")
    assert (ran.exit_code, bench.sent) == (3, [])
    assert "its calibration is another one" in ran.stderr


# ── ended at any moment ────────────────────────────────────────────────────────────────────

PAIRS = '[[positions]]\nposition = "tweeter"\nbackground_pairs = 2\n'


class Ended(FakeBench):
    """A bench whose recordings without sound end by Ctrl-C from a number on, counted from 1."""

    def __init__(self, end_at: int) -> None:
        super().__init__()
        self.end_at, self.records = end_at, 0

    def record(self, device, *, channels, rate_hz, seconds, heard=None, dropped=None):
        self.records += 1
        recorded = 1e-4 * self._rng.standard_normal((round(seconds * rate_hz), channels))
        heard(recorded[: 3 * rate_hz])
        if self.records >= self.end_at:
            raise KeyboardInterrupt
        return recorded


def test_ctrl_c_while_listening_leaves_nothing_half_done(tmp_path: Path) -> None:
    session = planned_session(tmp_path / "s", PLAN)
    before = (session / "session.toml").read_bytes()
    bench = Ended(1)
    assert run_plan(bench, session, *NOBODY).exit_code == 130
    assert bench.sent == []
    assert (session / "session.toml").read_bytes() == before
    assert not list(session.glob(".*"))
    assert run_plan(FakeBench(), session, *NOBODY).exit_code == 0
    assert listed(session) == [("axis", [f"axis-0{n}.wav" for n in (1, 2, 3)], False)]


def test_ctrl_c_at_a_question_keeps_what_was_recorded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    session = planned_session(tmp_path / "s", PLAN + PLAN.replace("axis", "port"), [-55.0, -47.0])
    answers = iter(["\n"])

    def typed(*_: object) -> str:
        try:
            return next(answers)
        except StopIteration:
            raise KeyboardInterrupt from None

    monkeypatch.setattr(Terminal, "readline", typed)
    ran = run_plan(FakeBench(), session, typed="")
    assert (ran.exit_code, ran.stdout.strip()) == (130, str(session / "axis.json"))
    assert listed(session) == [("axis", ["axis-01.wav", "axis-02.wav"], False)]
    assert not (session / ".capture-lock").exists()


def test_ctrl_c_in_a_background_recording_keeps_whole_pairs(tmp_path: Path) -> None:
    session = planned_session(tmp_path / "s", PAIRS + PLAN)
    bench = Ended(4)
    ran = run_plan(bench, session, typed="\n" * 8)
    assert (ran.exit_code, bench.sent) == (130, [])
    counts = [len(entry.recordings) for entry in read_session(session).backgrounds]
    assert counts == [1, 1]
    assert not list(session.glob(".*"))


def test_pairs_of_a_killed_process_are_entered_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed before they were entered, or before the record said that they were."""
    session = planned_session(tmp_path / "s", PAIRS)
    with monkeypatch.context() as patch:
        patch.setattr(BackgroundFiles, "finish", lambda _: 0)
        assert run_plan(Ended(9), session, typed="\n" * 8).exit_code == 0
    for _ in range(2):
        ran = run_plan(Ended(9), session, *NOBODY)  # where nobody could switch anything
        assert ran.exit_code == 0, ran.stderr
        assert "to be recorded" not in ran.stderr
        counts = [len(entry.recordings) for entry in read_session(session).backgrounds]
        assert counts == [2, 2]
        forget(session, "background")


def test_a_take_that_was_replaced_leaves_the_list_though_the_process_was_killed(
    stopped: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert run_plan(FakeBench(), stopped, *NOBODY).exit_code == 0
    with monkeypatch.context() as patch:
        patch.setattr(take, "retire", lambda *_, **__: None)
        assert run_plan(FakeBench(), stopped, *NOBODY, "--again", "axis").exit_code == 0
    assert len(listed(stopped)) == 2
    bench = FakeBench()
    assert run_plan(bench, stopped, *NOBODY).exit_code == 0
    assert (listed(stopped), bench.sent) == (
        [("axis", [f"axis_2-0{n}.wav" for n in (1, 2, 3)], False)],
        [],
    )


def test_a_full_disk_between_two_takes_keeps_the_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    session = planned_session(tmp_path / "s", PLAN + PLAN.replace("axis", "port"))
    given = os.posix_fallocate

    def full(handle: int, offset: int, size: int) -> None:
        if len(list(session.glob("axis*.wav"))) == 4:  # the probe's and three rungs'
            raise OSError(errno.ENOSPC, "No space left on device")
        given(handle, offset, size)

    with monkeypatch.context() as patch:
        patch.setattr(os, "posix_fallocate", full)
        ran = run_plan(FakeBench(), session, *NOBODY)
    assert ran.exit_code == 3
    assert "there is no room for the next recording" in ran.stderr
    first = ("axis", [f"axis-0{n}.wav" for n in (1, 2, 3)], False)
    assert listed(session) == [first]
    assert run_plan(FakeBench(), session, *NOBODY).exit_code == 0
    assert listed(session) == [first, ("port", [f"port-0{n}.wav" for n in (1, 2, 3)], False)]
