"""Capture through a session's positions: what is there stays, what is missing is recorded once."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from capture_bench import RATE_HZ, FakeBench, run_main
from plan_bench import (
    LADDER_DBFS,
    NOBODY,
    listed,
    planned_session,
    run_plan,
    sounded_dbfs,
    stopping_at,
)

from distsweep.capture import run
from distsweep.capture.listening import LISTENED_S
from distsweep.takes.session import read_session

LADDER_ONLY = '[[positions]]\nposition = "axis"\nstimuli = ["short.json"]\n'
SEVERAL = """\
[[positions]]
position = "axis"
stimuli = ["short.json", "tones.json"]
[[positions]]
position = "port"
stimuli = ["short.json"]
"""
TWO = f'{LADDER_ONLY}\n[[positions]]  # a remark\nposition = "port"\nstimuli = ["short.json"]\n'


def names(take: str, count: int) -> list[str]:
    return [f"{take}-{number:02d}.wav" for number in range(1, count + 1)]


def played(bench: FakeBench, drives_dbfs: list[float]) -> list[int]:
    """How often each drive sounded to its end or was begun."""
    return [sum(abs(db - drive) < 0.01 for db in sounded_dbfs(bench)) for drive in drives_dbfs]


@pytest.fixture(scope="module")
def stopped_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session that was stopped in the third rung of its first position."""
    session = planned_session(tmp_path_factory.mktemp("stopped") / "s", TWO)
    assert run_plan(FakeBench(fault=stopping_at(-39.0)), session, *NOBODY).exit_code == 130
    assert listed(session) == [("axis", names("axis", 2), True)]
    return session


@pytest.fixture
def stopped(stopped_once: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(stopped_once, tmp_path / "stopped"))


@pytest.fixture(scope="module")
def gone_on(stopped_once: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, FakeBench]:
    """The same gone on with to its end, and the bench on which it was."""
    session = Path(shutil.copytree(stopped_once, tmp_path_factory.mktemp("gone") / "s"))
    bench = FakeBench()
    ran = run_plan(bench, session, *NOBODY)
    assert ran.exit_code == 0, ran.stderr
    assert "short.json: 2 of 3 rungs there (axis), to be gone on with" in ran.stderr
    return session, bench


@pytest.fixture
def whole(gone_on: tuple[Path, FakeBench], tmp_path: Path) -> Path:
    return Path(shutil.copytree(gone_on[0], tmp_path / "whole"))


def test_the_same_command_goes_on_where_it_was_stopped(gone_on: tuple[Path, FakeBench]) -> None:
    session, bench = gone_on
    assert listed(session) == [("axis", names("axis", 3), False), ("port", names("port", 3), False)]
    # The ladder at "port", and what was missing at "axis": nothing else.
    assert played(bench, LADDER_DBFS) == [1, 1, 2]
    text = (session / "session.toml").read_text()
    assert "# a remark that must stay" in text
    assert "[[positions]]  # a remark" in text
    idle = FakeBench()
    assert run_plan(idle, session, *NOBODY).exit_code == 0
    assert idle.sent == []
    analysed = run_main("analyse", str(session), "--no-report", "--json", "-")
    assert analysed.exit_code == 0, analysed.stderr
    takes = json.loads(analysed.stdout)["takes"]
    assert [len(take["rungs"]) for take in takes] == [3, 3]


def test_a_staircase_goes_on_with_its_next_tone_or_plays_one_again(tmp_path: Path) -> None:
    session = planned_session(tmp_path / "s", LADDER_ONLY.replace("short", "tones"))

    def second_tone(number: int, _count: int, heard: np.ndarray) -> np.ndarray:
        if number == 3 and np.max(np.abs(heard)) > 10 ** (-68.0 / 20):
            raise KeyboardInterrupt
        return heard

    assert run_plan(FakeBench(fault=second_tone), session, *NOBODY).exit_code == 130
    assert listed(session) == [("axis", names("axis", 1), True)]
    ran = run_plan(FakeBench(), session, *NOBODY)
    assert ran.exit_code == 0, ran.stderr
    assert ("tone 1/2" in ran.stderr, "tone 2/2" in ran.stderr) == (False, True)
    assert listed(session) == [("axis", names("axis", 2), False)]
    ran = run_plan(FakeBench(), session, *NOBODY, "--again", "axis:1")
    assert ran.exit_code == 0, ran.stderr
    assert listed(session) == [("axis", ["axis-01_2.wav", "axis-02.wav"], False)]


def test_what_was_killed_twice_is_recorded_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A process that is killed enters nothing into the session."""
    session = planned_session(tmp_path / "s", LADDER_ONLY)
    benches = [FakeBench(fault=stopping_at(drive_dbfs)) for drive_dbfs in (-47.0, -39.0)]
    with monkeypatch.context() as patch:
        patch.setattr(run, "_keep_partial", lambda *_: None)
        for bench in benches:
            assert run_plan(bench, session, *NOBODY).exit_code == 130
        assert listed(session) == [("axis", names("axis", 1), True)]
    benches.append(FakeBench())
    ran = run_plan(benches[-1], session, *NOBODY)
    assert ran.exit_code == 0, ran.stderr
    assert "2 of 3 rungs there" in ran.stderr
    assert listed(session) == [("axis", names("axis", 3), False)]
    # The second and the last were cut off once, and recorded whole the next time.
    counts = np.sum([played(bench, LADDER_DBFS) for bench in benches], axis=0)
    assert counts.tolist() == [1, 2, 2]


def test_rises_on_the_way_belong_to_no_take(tmp_path: Path) -> None:
    session = planned_session(tmp_path / "s", LADDER_ONLY, [-45.0, -35.0, -25.0, -15.0])
    assert run_plan(FakeBench(fault=stopping_at(-15.0)), session, *NOBODY).exit_code == 130
    bench = FakeBench()
    ran = run_plan(bench, session, *NOBODY)
    assert ran.exit_code == 0, ran.stderr
    assert "on the way up to rung 4" in ran.stderr
    # From the probe at -40 the take's own drives lead up to it, none more than 10 dB above another.
    assert sounded_dbfs(bench)[-3:] == pytest.approx([-35.0, -25.0, -15.0], abs=0.01)
    assert listed(session) == [("axis", names("axis", 4), False)]
    assert sorted(path.name for path in session.glob("*rise*")) == [
        "axis-rise.wav",
        "axis-rise_2.wav",
    ]


@pytest.mark.parametrize("moved_db", [-1.5, 1.5])
def test_a_take_is_not_mixed_where_the_level_has_moved(stopped: Path, moved_db: float) -> None:
    before = (stopped / "session.toml").read_text()
    bench = FakeBench(gain_db=-10.0 + moved_db)
    ran = run_plan(bench, stopped, *NOBODY)
    assert ran.exit_code == 3
    assert f"{moved_db:+.1f} dB re when this take was begun".replace("-", "−") in ran.stderr
    assert max(sounded_dbfs(bench)) < -39.5
    assert (stopped / "session.toml").read_text() == before


def test_a_tenth_of_a_decibel_is_no_other_level(stopped: Path) -> None:
    ran = run_plan(FakeBench(gain_db=-9.9), stopped, *NOBODY, "--position", "axis")
    assert ran.exit_code == 0
    assert "the level is within 0.1 dB" in ran.stderr
    # A position that is named narrows the plan.
    assert listed(stopped) == [("axis", names("axis", 3), False)]


def test_a_take_begun_without_a_loop_back_is_not_gone_on_with_by_one(stopped: Path) -> None:
    bench = FakeBench()
    ran = run_plan(bench, stopped, *NOBODY, "--loopback-channel", "2")
    assert (ran.exit_code, bench.sent) == (3, [])
    assert "axis was begun without a loop-back" in ran.stderr


def test_a_take_that_distorted_too_much_goes_no_further(tmp_path: Path) -> None:
    session = planned_session(tmp_path / "s", LADDER_ONLY)
    limit = ("--thd-limit-percent", "3")
    assert run_plan(FakeBench(third=4e3), session, *NOBODY, *limit).exit_code == 4
    (take,) = listed(session)
    assert take[2]
    idle = FakeBench(third=4e3)
    ran = run_plan(idle, session, *NOBODY, *limit)
    assert "it goes no further: " in ran.stderr
    assert "not recorded: axis, short.json" in ran.stderr
    assert (listed(session), idle.sent) == ([take], [])


def test_one_rung_again_takes_the_former_ones_place(whole: Path) -> None:
    again = ("--again", "port:short:3")
    stopped = FakeBench(fault=stopping_at(-39.0))
    assert run_plan(stopped, whole, *NOBODY, *again).exit_code == 130
    assert listed(whole)[1] == ("port", names("port", 3), False)
    bench = FakeBench()
    ran = run_plan(bench, whole, *NOBODY, *again)
    assert ran.exit_code == 0, ran.stderr
    assert listed(whole)[1] == ("port", ["port-01.wav", "port-02.wav", "port-03_2.wav"], False)
    assert played(bench, LADDER_DBFS) == [0, 0, 1]


def test_a_whole_position_again_leaves_the_former_take_as_a_remark(whole: Path) -> None:
    stopped = FakeBench(fault=stopping_at(-39.0))
    ran = run_plan(stopped, whole, *NOBODY, "--again", "port")
    assert ran.exit_code == 130
    assert "the same command goes on from here" in ran.stderr
    # Until it is whole the former one stays.
    assert listed(whole)[1:] == [
        ("port", names("port", 3), False),
        ("port", names("port_2", 2), True),
    ]
    bench = FakeBench()
    assert run_plan(bench, whole, *NOBODY).exit_code == 0
    assert listed(whole)[1:] == [("port", names("port_2", 3), False)]
    assert played(bench, LADDER_DBFS) == [0, 0, 1]
    text = (whole / "session.toml").read_text()
    assert '# stimulus = "port.json"' in text
    assert "# Recorded again as port_2.json" in text
    assert all((whole / name).exists() for name in names("port", 3))


def test_placements_and_distance_are_noted(tmp_path: Path) -> None:
    plan = '[[positions]]\nposition = "port"\nstimuli = ["short.json"]\nplacements = 2\n'
    session = planned_session(tmp_path / "s", f"{plan}distance_m = 0.05\n", [-55.0, -47.0])
    bench = FakeBench()
    # Nobody could put it back: what both have in common would be taken for reproducibility.
    ran = run_plan(bench, session, *NOBODY)
    assert (ran.exit_code, bench.sent) == (3, [])
    assert "--placed leaves no pause" in ran.stderr
    for placement in ("1", "2"):
        ran = run_plan(bench, session, *NOBODY, "--placement", placement)
        assert ran.exit_code == 0, ran.stderr
    assert "Take the microphone away, and put it back" in ran.stderr
    takes = read_session(session).takes
    assert [(take.placement, take.distance_m) for take in takes] == [(1, 0.05), (2, 0.05)]
    assert played(bench, [-55.0, -47.0]) == [2, 2]


# ── the person ─────────────────────────────────────────────────────────────────────────────


def test_somebody_is_asked_before_each_position(tmp_path: Path) -> None:
    plan = TWO.replace('"]\n', '"]\nmove = "onto the stand"\n', 1)
    # 70 dB SPL at worst are not reached: nothing else is asked.
    session = planned_session(tmp_path / "s", plan, [-55.0, -47.0])
    ran = run_plan(FakeBench(), session, typed="what?\n\nskip\n")
    assert ran.exit_code == 0, ran.stderr
    assert "Now: onto the stand" in ran.stderr
    assert "'what?' is none of these" in ran.stderr
    assert "not recorded: port" in ran.stderr
    assert listed(session) == [("axis", names("axis", 2), False)]
    ran = run_plan(FakeBench(), session, typed="again\n\nstop\n")
    assert ran.exit_code == 0, ran.stderr
    assert "the same command goes on from here" in ran.stderr
    assert listed(session) == [("axis", names("axis_2", 2), False)]
    ran = run_plan(FakeBench(), session, "--position", "port", typed="again\nstop\n")
    assert "nothing comes before it" in ran.stderr
    ran = run_plan(FakeBench(), session, typed="")
    assert "the same command goes on from here" in ran.stderr
    assert run_plan(FakeBench(), session, typed="\n").exit_code == 0
    assert [take[0] for take in listed(session)] == ["axis", "port"]


def test_without_a_terminal_somebody_must_vouch_for_the_place(tmp_path: Path) -> None:
    session = planned_session(tmp_path / "s", LADDER_ONLY)
    bench = FakeBench()
    ran = run_plan(bench, session, *NOBODY[1:])
    assert ran.exit_code == 3
    assert "--placed" in ran.stderr
    assert bench.sent == []


@pytest.mark.parametrize(
    ("options", "code", "said"),
    [
        (("--levels-dbfs=-40",), 2, "--levels-dbfs is for one take"),
        (("--position", "nowhere"), 3, "has no position 'nowhere'"),
        (("--again", "nowhere"), 3, "[[positions]] has axis, port"),
        (("--again", "axis:3"), 3, "axis:short.json:3"),
        (("--again", "port:9"), 3, "nothing is recorded of short.json"),
        (("--again", "axis:sweep:1"), 3, "there are short.json, tones.json"),
        (("--again", "port", "--position", "port"), 2, "leave --position out"),
        (("--stimulus", "short.json", "--placed"), 2, "--placed is for"),
    ],
)
def test_what_cannot_be_is_refused_before_anything_sounds(
    planned: Path, options: tuple[str, ...], code: int, said: str
) -> None:
    bench = FakeBench()
    placed = () if "--placed" in options else NOBODY
    ran = run_plan(bench, planned, *placed, *options)
    assert (ran.exit_code, said in ran.stderr) == (code, True), ran.stderr
    assert bench.sent == []


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return planned_session(tmp_path_factory.mktemp("planned") / "s", SEVERAL)


@pytest.mark.parametrize(
    ("stimulus", "line", "code", "said"),
    [
        ("tones", 'levels_dbfs = "-50"', 3, "levels_dbfs is for ladders, and none is listed"),
        ("short", 'levels_spl = "80 to 120 by 10"', 4, "'axis': levels_spl: 120 dB SPL is above"),
        ("short", 'levels_dbfs = "-10 3"', 3, "'axis': levels_dbfs '-10 3': drives lie"),
        ("short", 'levels_spl = "loud"', 3, "'axis': levels_spl: levels 'loud': write"),
    ],
)
def test_levels_that_cannot_be_are_named_with_their_position(
    tmp_path: Path, stimulus: str, line: str, code: int, said: str
) -> None:
    plan = f"{LADDER_ONLY.replace('short', stimulus)}{line}\n"
    bench = FakeBench()
    ran = run_plan(bench, planned_session(tmp_path / "s", plan), *NOBODY)
    assert (ran.exit_code, said in ran.stderr, bench.sent) == (code, True, []), ran.stderr


def test_how_long_a_plan_lasts_at_least_is_said_first(tmp_path: Path) -> None:
    """With one probe a take, as on this bench, it lasts no longer."""
    session = planned_session(tmp_path / "s", SEVERAL)
    bench = FakeBench()
    ran = run_plan(bench, session, *NOBODY)
    first = ran.stderr.splitlines()[0]
    assert first.startswith("to be recorded: 3 take(s), at least ")
    passed_s = sum(map(len, bench.sent)) / RATE_HZ + 2 * LISTENED_S
    assert float(first.split("at least ")[1].split()[0]) == pytest.approx(passed_s, abs=6.0)


def test_a_session_without_a_plan_needs_a_stimulus(tmp_path: Path) -> None:
    session = planned_session(tmp_path / "s", "")
    ran = run_plan(FakeBench(), session, *NOBODY)
    assert ran.exit_code == 3
    assert "has no [[positions]] to go through" in ran.stderr
    assert not (session / "capture-log.jsonl").exists()


class _Hissing(FakeBench):
    """A bench whose microphone also records while nothing is played."""

    def record(self, device, *, channels, rate_hz, seconds, heard=None, dropped=None):
        recorded = 1e-4 * self._rng.standard_normal((round(seconds * rate_hz), channels))
        heard(recorded)
        return recorded


def test_background_pairs_of_a_position_are_recorded_once(tmp_path: Path) -> None:
    plan = '[[positions]]\nposition = "tweeter"\ndistance_m = 0.05\nbackground_pairs = 1\n'
    session = planned_session(tmp_path / "s", plan)
    ran = run_plan(_Hissing(), session, *NOBODY)
    assert "not recorded: tweeter, background" in ran.stderr
    ran = run_plan(_Hissing(), session, typed="\n\n\n")
    assert ran.exit_code == 0, ran.stderr
    assert "background: 1 pair(s), the loudspeaker on and off, to be recorded" in ran.stderr
    states = [(entry.state, entry.distance_m) for entry in read_session(session).backgrounds]
    assert states == [("on", 0.05), ("off", 0.05)]
    ran = run_plan(_Hissing(), session, typed="")
    assert ran.exit_code == 0
    assert "to be recorded" not in ran.stderr
